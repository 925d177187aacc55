//! Real SMTP conversations with a relay on loopback, and the folder that stands in for one.
//!
//! Must never need a host name to be looked up, a fixed port, or a pause.
#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use engine::input::MailOutcome;
use post::{Patience, Postman, PostmanError};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, IsCa, KeyPair};
use site::model::{LinkSecurity, Login, Mail as MailSettings, SecretFile, Transport};

#[path = "../../../tests/support/smtp_sink.rs"]
mod smtp_sink;

use smtp_sink::{Manner, Protection, SmtpSink, Step};

const DEADLINE: Duration = Duration::from_secs(20);
const FROM: &str = "Hof <hypocaust@hof.example>";
const TO: &str = "jana@people.example";
/// A line that is only a dot, lines that begin with dots, a long line and a last line without text.
const MAIL: &[u8] = b"Date: Tue, 10 Mar 2026 07:00:03 +0100\r\nMessage-ID: <alarm.17.0000001f.3.0.raise@hof.example>\r\nSubject: x\r\n\r\n.\r\n..\r\n.dot\r\nQUIT\r\n\r\nend\r\n";

fn settings(host: &str, port: u16, security: LinkSecurity, login: Option<&str>) -> MailSettings {
    let login = login.map(|user| Login { user: user.into(), password: SecretFile::Credential("mail".into()) });
    MailSettings {
        from: FROM.into(),
        domain: "hof.example".into(),
        transport: Transport::Smtp { host: host.into(), port, security, login },
    }
}

fn folder(path: &Path) -> Postman {
    let transport = Transport::Folder(path.into());
    Postman::new(&MailSettings { from: FROM.into(), domain: "hof.example".into(), transport }, None).unwrap()
}

fn plain(port: u16) -> Postman {
    Postman::new(&settings("127.0.0.1", port, LinkSecurity::Plain, None), None).unwrap()
}

/// Impatient where a test waits for a time-out.
fn impatient(postman: Postman) -> Postman {
    let short = Duration::from_millis(200);
    postman.with_patience(Patience { connect: short, greeting: short, ..Patience::default() })
}

async fn deliver(postman: &Postman) -> MailOutcome {
    tokio::time::timeout(DEADLINE, postman.deliver(FROM, TO, MAIL)).await.expect("a delivery ends")
}

fn words(outcome: &MailOutcome) -> (&'static str, &str) {
    match outcome {
        MailOutcome::Accepted { reply } => ("accepted", reply),
        MailOutcome::Deferred { reply } => ("deferred", reply),
        MailOutcome::Refused { reply } => ("refused", reply),
        MailOutcome::Unfit { reply } => ("unfit", reply),
    }
}

#[tokio::test]
async fn a_mail_arrives_as_it_was_sent() {
    let sink = SmtpSink::start();
    let outcome = deliver(&plain(sink.port())).await;
    assert_eq!(outcome, MailOutcome::Accepted { reply: "250 OK".into() });
    let seen = sink.wait_for(|seen| seen.received.len() == 1, DEADLINE);
    let mail = &seen.received[0];
    assert_eq!((mail.from.as_str(), mail.to.as_slice()), ("hypocaust@hof.example", [TO.to_owned()].as_slice()));
    assert_eq!(String::from_utf8_lossy(&mail.data), String::from_utf8_lossy(MAIL));
    assert_eq!(mail.hello, "hof.example");
    assert!(!mail.encrypted);
    sink.wait_for(|seen| seen.commands.last().is_some_and(|line| line == "QUIT"), DEADLINE);
}

#[tokio::test]
async fn answers_of_the_relay_are_judged_by_step_and_code() {
    for (at, code, said, want, why) in [
        (Step::Hello, 421, "4.3.2 shutting down", "deferred", "the relay is not ready"),
        (Step::Hello, 550, "who are you", "deferred", "the owner can mend what we call ourselves"),
        (Step::Sender, 451, "4.3.0 try later", "deferred", "4xx is for now"),
        (Step::Sender, 550, "5.7.1 sender not allowed", "deferred", "5xx to the sender says nothing of the recipient"),
        (Step::Recipient, 450, "4.2.0 greylisted", "deferred", "greylisting"),
        (Step::Recipient, 452, "4.2.2 mailbox full", "deferred", "a full mailbox may be emptied"),
        (Step::Recipient, 550, "5.1.1 no such user", "refused", "nobody there"),
        (Step::Recipient, 553, "5.1.3 bad address", "refused", "never there"),
        (Step::Data, 451, "4.3.0 try later", "deferred", "4xx"),
        (Step::Data, 554, "5.5.1 no valid recipients", "refused", "5xx"),
        (Step::Content, 452, "4.3.1 disk full", "deferred", "4xx after the content"),
        (Step::Content, 552, "5.3.4 too big", "unfit", "this mail will never pass"),
        (Step::Content, 554, "spam", "unfit", "neither will this one; other mails may"),
        (Step::Content, 550, "5.1.1 no such user", "refused", "a relay that looks late for whom it is"),
        (Step::Content, 552, "5.2.2 mailbox full", "refused", "the mailbox, not the mail"),
    ] {
        let sink = SmtpSink::start();
        sink.behave(Manner::Answer { at, code, words: said.into() });
        let outcome = deliver(&plain(sink.port())).await;
        let (kind, reply) = words(&outcome);
        assert_eq!(kind, want, "{code} at {at:?}: {why} ({reply})");
        assert!(reply.contains(&format!("{code} {said}")), "the relay's words are kept: {reply}");
        assert!(reply.contains("127.0.0.1"), "{reply}");
        assert_eq!(sink.received().len(), 0, "{code} at {at:?}");
        assert!(sink.seen().refusals.contains(&(at, code)));
    }
}

#[tokio::test]
async fn a_relay_that_recovers_gets_the_mail_at_the_next_try() {
    let sink = SmtpSink::start();
    sink.behave(Manner::AnswerTimes { at: Step::Recipient, code: 450, words: "greylisted".into(), times: 2 });
    let postman = plain(sink.port());
    let kinds =
        [words(&deliver(&postman).await).0, words(&deliver(&postman).await).0, words(&deliver(&postman).await).0];
    assert_eq!(kinds, ["deferred", "deferred", "accepted"]);
    assert_eq!(sink.received().len(), 1);
}

#[tokio::test]
async fn a_relay_that_is_away_defers_and_comes_back_on_its_port() {
    let mut sink = SmtpSink::start();
    let postman = plain(sink.port());
    sink.stop();
    let outcome = deliver(&postman).await;
    let (kind, reply) = words(&outcome);
    assert_eq!(kind, "deferred");
    assert!(reply.to_lowercase().contains("refused") && reply.contains(&sink.port().to_string()), "{reply}");
    sink.restart();
    assert_eq!(words(&deliver(&postman).await).0, "accepted");
}

#[tokio::test]
async fn a_relay_that_says_nothing_is_left_after_the_time_out() {
    let sink = SmtpSink::start();
    sink.behave(Manner::Silent);
    let outcome = deliver(&impatient(plain(sink.port()))).await;
    let (kind, reply) = words(&outcome);
    assert_eq!(kind, "deferred");
    assert!(reply.contains("no answer within 0.4 s"), "{reply}");
    sink.wait_for(|seen| seen.connections == 1, DEADLINE);
}

#[tokio::test]
async fn a_relay_that_hangs_up_after_the_content_is_asked_again() {
    let sink = SmtpSink::start();
    sink.behave(Manner::TakeAndHangUp);
    let postman = plain(sink.port());
    assert_eq!(words(&deliver(&postman).await).0, "deferred", "nobody took responsibility");
    sink.behave(Manner::Accept);
    assert_eq!(words(&deliver(&postman).await).0, "accepted");
    let received = sink.received();
    assert_eq!(received.len(), 2);
    assert_eq!(received[0].data, received[1].data, "the same bytes, so the same Message-ID");
}

/// An authority of its own and a relay's certificate that it signed for `localhost` and 127.0.0.1.
struct Authority {
    file: PathBuf,
    server: Arc<rustls::ServerConfig>,
    _folder: tempfile::TempDir,
}

fn authority() -> Authority {
    let mut params = CertificateParams::new(Vec::<String>::new()).unwrap();
    params.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let issuer = CertifiedIssuer::self_signed(params, KeyPair::generate().unwrap()).unwrap();
    let key = KeyPair::generate().unwrap();
    let leaf = CertificateParams::new(vec!["localhost".to_owned(), "127.0.0.1".to_owned()]).unwrap();
    let leaf = leaf.signed_by(&key, &issuer).unwrap();
    let key = rustls::pki_types::PrivateKeyDer::try_from(key.serialize_der()).unwrap();
    let server = rustls::ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![leaf.der().clone()], key)
        .unwrap();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("authority.pem");
    std::fs::write(&file, issuer.pem()).unwrap();
    Authority { file, server: Arc::new(server), _folder: folder }
}

#[tokio::test]
async fn encrypted_links_are_held_to_their_authority() {
    let (ours, other) = (authority(), authority());
    let start_tls = |ca: &Authority| LinkSecurity::StartTls { ca_file: Some(ca.file.clone()) };
    let tls = |ca: &Authority| LinkSecurity::Tls { ca_file: Some(ca.file.clone()) };
    let by_start_tls = Protection::StartTls(Arc::clone(&ours.server));
    let by_tls = Protection::Tls(Arc::clone(&ours.server));
    for (protection, security, host, want, why) in [
        (by_start_tls.clone(), start_tls(&ours), "127.0.0.1", "accepted", "STARTTLS with the right authority"),
        (by_start_tls.clone(), start_tls(&ours), "localhost", "accepted", "by name too"),
        (by_start_tls.clone(), start_tls(&other), "127.0.0.1", "certificate is not trusted", "another authority"),
        (
            by_start_tls.clone(),
            LinkSecurity::StartTls { ca_file: None },
            "127.0.0.1",
            "certificate is not trusted",
            "the system's authorities did not sign it",
        ),
        (by_tls.clone(), tls(&ours), "127.0.0.1", "accepted", "TLS from the first byte"),
        (by_tls.clone(), tls(&other), "127.0.0.1", "certificate is not trusted", "another authority"),
        (Protection::Plain, start_tls(&ours), "127.0.0.1", "does not offer STARTTLS", "no silent fall back to plain"),
        (Protection::Plain, tls(&ours), "127.0.0.1", "no TLS with", "no silent fall back to plain"),
    ] {
        let sink = SmtpSink::start_with(protection, Some(("hof", "s3cret")));
        let postman = Postman::new(&settings(host, sink.port(), security, Some("hof")), Some("s3cret")).unwrap();
        let outcome = deliver(&postman).await;
        let (kind, reply) = words(&outcome);
        let seen = sink.seen();
        if want == "accepted" {
            assert_eq!(kind, "accepted", "{why}: {reply}");
            assert!(seen.received[0].encrypted, "{why}");
            assert_eq!(seen.received[0].login, Some(("hof".into(), "s3cret".into())), "{why}");
        } else {
            assert_eq!(kind, "deferred", "{why}: {reply}");
            assert!(reply.contains(want), "{why}: {reply}");
            assert!(reply.contains("nothing was sent"), "{why}: {reply}");
            assert!(
                !seen.commands.iter().any(|line| line.starts_with("AUTH") || line.starts_with("MAIL")),
                "{why}: {seen:?}"
            );
        }
    }
}

#[tokio::test]
async fn a_wrong_password_defers_and_says_where_to_look() {
    let ours = authority();
    let sink = SmtpSink::start_with(Protection::StartTls(Arc::clone(&ours.server)), Some(("hof", "s3cret")));
    let security = LinkSecurity::StartTls { ca_file: Some(ours.file.clone()) };
    let postman = Postman::new(&settings("127.0.0.1", sink.port(), security, Some("hof")), Some("wrong")).unwrap();
    let outcome = deliver(&postman).await;
    let (kind, reply) = words(&outcome);
    assert_eq!(kind, "deferred");
    assert!(reply.contains("535") && reply.contains("check user and password"), "{reply}");
    assert!(!reply.contains("wrong"), "the password is never told: {reply}");
}

#[test]
fn settings_that_cannot_work_are_faults_with_a_remedy() {
    let folder = tempfile::tempdir().unwrap();
    let (missing, empty, broken) =
        (folder.path().join("missing.pem"), folder.path().join("empty.pem"), folder.path().join("broken.pem"));
    std::fs::write(&empty, "nothing").unwrap();
    std::fs::write(&broken, "-----BEGIN CERTIFICATE-----\nAAAA\n-----END CERTIFICATE-----\n").unwrap();
    let with = |ca: &Path| settings("localhost", 587, LinkSecurity::StartTls { ca_file: Some(ca.into()) }, None);
    for (settings, want) in [
        (with(&missing), "cannot be read"),
        (with(&empty), "holds no certificate"),
        (with(&broken), "cannot be set up"),
        (settings("localhost", 587, LinkSecurity::Plain, Some("hof")), "no password was given"),
    ] {
        let fault: PostmanError = Postman::new(&settings, None).err().expect(want);
        assert!(fault.to_string().contains(want), "{fault}");
        assert!(fault.to_string().contains("mail settings"), "{fault}");
    }
}

#[tokio::test]
async fn addresses_that_are_none_never_reach_the_relay() {
    let sink = SmtpSink::start();
    let postman = plain(sink.port());
    for (from, to, want) in [
        (FROM, "jana@", "refused"),
        (FROM, "jana@x>\r\nRCPT TO:<thief@evil.example", "refused"),
        ("nobody", TO, "deferred"),
        (FROM, "jürgen@people.example", "deferred"),
    ] {
        let outcome = postman.deliver(from, to, MAIL).await;
        assert_eq!(words(&outcome).0, want, "{from} to {to}: {outcome:?}");
    }
    assert!(!sink.seen().commands.iter().any(|line| line.starts_with("MAIL") || line.starts_with("RCPT")));
}

#[tokio::test]
async fn a_folder_takes_one_whole_file_a_mail() {
    let root = tempfile::tempdir().unwrap();
    let into = root.path().join("trial").join("mail");
    let postman = folder(&into);
    let name = "20260310T060003Z-alarm.17.0000001f.3.0.raise@hof.example.jana@people.example.eml";
    let outcome = deliver(&postman).await;
    assert_eq!(outcome, MailOutcome::Accepted { reply: format!("written to {}", into.join(name).display()) });
    assert_eq!(std::fs::read(into.join(name)).unwrap(), MAIL);
    // The same mail again takes the place of the first; the same mail to somebody else does not.
    assert_eq!(words(&deliver(&postman).await).0, "accepted");
    assert_eq!(words(&postman.deliver(FROM, "../../soren@people.example", MAIL).await).0, "accepted");
    let mut names: Vec<String> =
        std::fs::read_dir(&into).unwrap().map(|entry| entry.unwrap().file_name().into_string().unwrap()).collect();
    names.sort();
    assert_eq!(
        names,
        [
            "20260310T060003Z-alarm.17.0000001f.3.0.raise@hof.example...%2f..%2fsoren@people.example.eml",
            name,
            "index.html"
        ],
        "nothing half written is left, and nothing leaves the folder"
    );
    assert_eq!(std::fs::read_dir(root.path()).unwrap().count(), 1);
}

#[tokio::test]
async fn a_folder_has_a_page_that_lists_its_mails_newest_first_and_lets_nothing_become_markup() {
    let root = tempfile::tempdir().unwrap();
    let postman = folder(root.path());
    for (minute, subject) in [(10, "older"), (12, "<script>alert(1)</script> & \"x\""), (11, "between")] {
        let mail = format!(
            "Date: Tue, 10 Mar 2026 07:{minute}:00 +0100\r\nTo: Jana <jana@people.example>\r\nSubject: {subject}\r\n\
             Message-ID: <m{minute}@hof.example>\r\n\r\ntext\r\n"
        );
        assert_eq!(words(&postman.deliver(FROM, TO, mail.as_bytes()).await).0, "accepted");
    }
    let page = std::fs::read_to_string(root.path().join("index.html")).unwrap();
    let place = |what: &str| page.find(what).unwrap_or_else(|| panic!("{what} is missing in {page}"));
    assert!(place("2026-03-10 06:12:00") < place(">between<") && place(">between<") < place(">older<"), "{page}");
    assert!(!page.contains("<script"), "{page}");
    assert!(page.contains("&lt;script&gt;") && page.contains("Jana &lt;jana@people.example&gt;"), "{page}");
    assert!(page.contains("href=\"./20260310T061200Z-m12@hof.example."), "{page}");
    for foreign in ["http", "src=", "url(", "@import"] {
        assert!(!page.contains(foreign), "it fetches nothing");
    }
}

#[tokio::test]
async fn a_folder_that_cannot_be_written_defers() {
    let root = tempfile::tempdir().unwrap();
    let file = root.path().join("file");
    std::fs::write(&file, "in the way").unwrap();
    let outcome = deliver(&folder(&file.join("mail"))).await;
    let (kind, reply) = words(&outcome);
    assert_eq!(kind, "deferred");
    assert!(reply.contains("check the folder of the mail settings"), "{reply}");
    let outcome = folder(root.path()).deliver(FROM, TO, b"Subject: x\r\n\r\nno id\r\n").await;
    assert!(words(&outcome).1.contains("no Message-ID"), "{outcome:?}");
}
