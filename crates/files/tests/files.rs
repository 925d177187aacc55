//! What is not what it seems is refused at once, and nothing of it is changed.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

use std::io::{BufReader, Read, Write};
use std::os::unix::fs::{PermissionsExt, symlink};
use std::os::unix::net::UnixListener;
use std::path::{Path, PathBuf};
use std::process::Command;

use files::{Fault, Kind, Links};

const SMALL: Kind = Kind { name: "a test", largest: 10, links: Links::Followed };
const OURS: Kind = Kind { name: "a test", largest: 10, links: Links::Refused };

struct Place(tempfile::TempDir);

impl Place {
    fn new() -> Place {
        Place(tempfile::tempdir().unwrap())
    }

    fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    fn file(&self, name: &str, content: &str, mode: u32) -> PathBuf {
        let path = self.at(name);
        std::fs::write(&path, content).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
        path
    }
}

fn said(error: &std::io::Error) -> String {
    Fault::of(error).unwrap_or_else(|| panic!("no fault of ours: {error}")).to_string()
}

fn pipe(path: &Path) {
    assert!(Command::new("mkfifo").arg(path).status().unwrap().success());
}

#[test]
fn only_a_regular_file_is_opened_and_nothing_is_waited_for() {
    let place = Place::new();
    let plain = place.file("plain", "0123456789", 0o600);
    assert_eq!(files::read_text(&plain, SMALL).unwrap(), "0123456789", "exactly the limit");
    pipe(&place.at("pipe"));
    std::fs::create_dir(place.at("folder")).unwrap();
    let _socket = UnixListener::bind(place.at("socket")).unwrap();
    symlink("/dev/zero", place.at("zero")).unwrap();
    symlink(&plain, place.at("link")).unwrap();
    symlink(place.at("folder"), place.at("link-to-folder")).unwrap();
    symlink(place.at("round"), place.at("round")).unwrap();
    for (name, want) in [
        ("pipe", "it is a pipe, not a regular file"),
        ("folder", "it is a folder, not a regular file"),
        ("link-to-folder", "it is a folder, not a regular file"),
        ("socket", "it is a socket"),
        ("zero", "it is a device, not a regular file"),
    ] {
        let refused = files::read(&place.at(name), SMALL).unwrap_err();
        assert!(said(&refused).starts_with(want), "{name}: {refused}");
    }
    assert_eq!(files::read(&place.at("link"), SMALL).unwrap(), b"0123456789", "a person may name a link");
    for name in ["link", "zero", "link-to-folder", "round"] {
        let refused = files::read(&place.at(name), OURS).unwrap_err();
        assert_eq!(Fault::of(&refused), Some(&Fault::Link), "{name}: {refused}");
    }
    assert_eq!(files::read(&place.at("none"), SMALL).unwrap_err().kind(), std::io::ErrorKind::NotFound);
}

#[test]
fn a_file_is_read_to_its_limit_and_no_further() {
    let place = Place::new();
    let long = place.file("long", "0123456789a", 0o600);
    let refused = files::read(&long, SMALL).unwrap_err();
    assert!(said(&refused).starts_with("it is larger than"), "{refused}");
    let sparse = place.at("sparse");
    std::fs::File::create(&sparse).unwrap().set_len(10 << 30).unwrap();
    let refused = files::read_text(&sparse, files::SETTINGS).unwrap_err();
    assert!(said(&refused).contains("16 MiB of settings"), "{refused}");
    // The kernel says that this one is empty, and goes on writing it.
    let refused = files::read(Path::new("/proc/self/status"), SMALL).unwrap_err();
    assert!(said(&refused).starts_with("it is larger than"), "{refused}");
}

#[test]
fn a_line_without_an_end_is_no_line() {
    let mut lines = files::lines(BufReader::new(&b"one\r\ntwo\nthree"[..]));
    for want in ["one", "two", "three"] {
        assert_eq!(lines.next().unwrap().unwrap(), want);
    }
    assert!(lines.next().is_none());
    let endless = BufReader::new(std::io::repeat(b'x').take(files::LINE as u64 * 2));
    let mut lines = files::lines(endless);
    let refused = lines.next().unwrap().unwrap_err();
    assert!(said(&refused).starts_with("line 1 is longer"), "{refused}");
    assert!(lines.next().is_none(), "the rest does not pass for a line");
    assert!(files::lines(BufReader::new(&b"\xff\n"[..])).next().unwrap().is_err(), "no text");
}

#[test]
fn a_name_of_a_bundle_leads_nowhere_else() {
    let place = Place::new();
    std::fs::create_dir_all(place.at("bundle/proofs")).unwrap();
    place.file("secret", "secret", 0o600);
    place.file("bundle/proofs/1", "proof", 0o600);
    symlink("../secret", place.at("bundle/link")).unwrap();
    symlink("..", place.at("bundle/up")).unwrap();
    let open = |name: &str| files::open_within(&place.at("bundle"), name, OURS);
    let mut text = String::new();
    open("proofs/1").unwrap().read_to_string(&mut text).unwrap();
    assert_eq!(text, "proof");
    let outside = place.at("secret").display().to_string();
    for name in ["../secret", "proofs/../../secret", &outside, "", ".", "proofs/./../.."] {
        assert_eq!(open(name).unwrap_err().kind(), std::io::ErrorKind::NotFound, "{name}");
    }
    for name in ["link", "up/secret"] {
        open(name).unwrap_err();
    }
}

#[test]
fn a_secret_that_others_can_read_or_change_is_refused_with_the_command_to_type() {
    let place = Place::new();
    for (mode, want) in [
        (0o600, None),
        (0o400, None),
        (0o440, None),
        (0o640, None),
        (0o644, Some("everybody can read it (mode 0644); run `chmod 0600 ")),
        (0o604, Some("everybody can read it (mode 0604); run `chmod 0600 ")),
        (0o666, Some("everybody can change it (mode 0666); run `chmod 0600 ")),
        (0o602, Some("everybody can change it (mode 0602); run `chmod 0600 ")),
        (0o660, Some("its group can change it (mode 0660); run `chmod 0640 ")),
        (0o444, Some("everybody can read it (mode 0444); run `chmod 0600 ")),
    ] {
        let path = place.file("secret", "secret", mode);
        match (files::read_secret(&path, SMALL), want) {
            (Ok(text), None) => assert_eq!(text, "secret"),
            (Err(refused), Some(want)) => {
                assert!(said(&refused).starts_with(want), "{mode:o}: {refused}");
                let command = said(&refused).split('`').nth(1).unwrap().to_owned();
                assert!(Command::new("sh").args(["-c", &command]).status().unwrap().success(), "{command}");
                files::read_secret(&path, SMALL).unwrap();
            }
            (got, want) => panic!("{mode:o}: {got:?}, {want:?}"),
        }
        std::fs::remove_file(&path).unwrap();
    }
}

#[test]
fn a_folder_that_others_can_write_is_refused_with_the_command_to_type() {
    let place = Place::new();
    for mode in 0..=0o7777u32 {
        std::fs::set_permissions(place.0.path(), std::fs::Permissions::from_mode(mode)).unwrap();
        assert_eq!(files::check_folder(place.0.path()).is_err(), mode & 0o022 != 0, "{mode:o}");
    }
    std::fs::set_permissions(place.0.path(), std::fs::Permissions::from_mode(0o777)).unwrap();
    let refused = files::check_folder(place.0.path()).unwrap_err();
    let command = said(&refused).split('`').nth(1).unwrap().to_owned();
    assert!(Command::new("sh").args(["-c", &command]).status().unwrap().success(), "{command}");
    files::check_folder(place.0.path()).unwrap();
}

#[test]
fn nothing_of_another_file_is_changed_through_a_link() {
    let place = Place::new();
    let theirs = place.file("theirs", "theirs", 0o600);
    symlink(&theirs, place.at("link")).unwrap();
    symlink(place.at("nowhere"), place.at("dangling")).unwrap();
    pipe(&place.at("pipe"));
    for name in ["link", "dangling", "pipe", "."] {
        files::create(&place.at(name)).unwrap_err();
        assert!(name == "." || files::check_own(&place.at(name)).is_err(), "{name}");
    }
    assert!(!place.at("nowhere").exists());
    if rustix::process::geteuid().is_root() {
        std::fs::hard_link(&theirs, place.at("hard")).unwrap();
        let refused = files::create(&place.at("hard")).unwrap_err();
        assert_eq!(Fault::of(&refused), Some(&Fault::SecondName));
        files::check_own(&place.at("hard")).unwrap_err();
    }
    assert_eq!(std::fs::read_to_string(&theirs).unwrap(), "theirs");
    files::check_own(&place.at("free")).unwrap();
    files::write(&place.at("own"), "longer").unwrap();
    files::write(&place.at("own"), "new").unwrap();
    assert_eq!(std::fs::read_to_string(place.at("own")).unwrap(), "new", "what was longer is gone");
    let mut kept = files::open_own(&place.at("own"), 0o600).unwrap();
    let mut text = String::new();
    kept.read_to_string(&mut text).unwrap();
    kept.write_all(b"er").unwrap();
    assert_eq!(text, "new");

    std::fs::create_dir(place.at("folder")).unwrap();
    symlink(place.at("folder"), place.at("way")).unwrap();
    for name in ["way", "way/"] {
        assert_eq!(Fault::of(&files::create_folder(&place.at(name)).unwrap_err()), Some(&Fault::Link), "{name}");
    }
    files::create_folder(&place.at("a/b")).unwrap();

    for below in [&["way"][..], &["a", "way"], &["way", "c"]] {
        symlink(place.at("folder"), place.at("a/way")).ok();
        let refused = files::Held::make(place.0.path(), below).unwrap_err();
        assert_eq!(Fault::of(&refused), Some(&Fault::Link), "{below:?}");
    }
    for below in ["..", ".", "", "a/b", "/"] {
        files::Held::make(place.0.path(), &[below]).unwrap_err();
    }
    let held = files::Held::make(place.0.path(), &["a", "new"]).unwrap();
    std::fs::rename(place.at("a/new"), place.at("a/moved")).unwrap();
    symlink(place.at("folder"), place.at("a/new")).unwrap();
    files::write(&held.path().join("file"), "here").unwrap();
    assert_eq!(std::fs::read_to_string(place.at("a/moved/file")).unwrap(), "here", "what is held is meant");
    assert!(files::Held::open(place.0.path(), &["none"]).is_err());
}
