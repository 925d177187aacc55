//! `hypocaust init`: settings for a new site, from a few answers.
//!
//! Must never overwrite a file, and never write settings that `hypocaust check` would refuse.

mod asking;
mod text;

use std::io::{self, IsTerminal, Write};
use std::os::unix::fs::{DirBuilderExt, OpenOptionsExt};
use std::path::{Path, PathBuf};

use crate::cli::{DisplayUnits, InitArgs};
use crate::commands::CommandError;
use crate::rules::{CASES_ENDING, RULE_ENDING, SHIPPED};
use crate::settings_schema;
use crate::wiring::SettingsError;

use asking::Asking;

/// Where the package keeps things.
const SERVICE_SETTINGS: &str = "/etc/hypocaust";
const SERVICE_DATA: &str = "/var/lib/hypocaust";
const SERVICE_SCHEMA: &str = "/usr/share/hypocaust/site.schema.json";

/// What is known of a new site.
#[derive(Clone, Debug, PartialEq)]
struct Answers {
    name: String,
    id: String,
    zone: String,
    units: DisplayUnits,
    elevation: String,
    bins: u16,
    probes: u16,
    person: String,
    mail_to: String,
    mail_from: String,
    /// Host and port of the relay.
    relay: Option<(String, Option<u16>)>,
    relay_login: Option<Login>,
    broker: Option<String>,
    broker_login: Option<Login>,
}

/// A user and, where it was given, the password.
#[derive(Clone, Debug, PartialEq)]
struct Login {
    user: String,
    password: String,
}

/// Where things go.
#[derive(Clone, Debug, PartialEq)]
enum Layout {
    /// All of it in one folder, by its whole path.
    Folder(PathBuf),
    /// Where the package has them.
    Service,
}

/// A file to write.
#[derive(Debug, PartialEq)]
struct Planned {
    path: PathBuf,
    text: String,
    mode: u32,
}

/// Asks what it takes, and writes settings, rules and secrets.
///
/// # Errors
/// When an answer is missing or cannot be used, or a file is there already or cannot be written.
pub fn init(args: InitArgs) -> Result<(), CommandError> {
    let layout = layout(&args)?;
    let with_questions = !args.no_questions && io::stdin().is_terminal();
    let asking = with_questions.then(|| Asking::new(io::stdin().lock(), io::stderr()));
    // Before anything is asked: nobody wants to answer ten questions for nothing.
    refuse_if_there(&[layout.settings()])?;
    let answers = asking::answers(args, asking, password_of)?;
    let files = plan(&answers, &layout)?;
    refuse_if_there(&files.iter().map(|file| file.path.clone()).collect::<Vec<_>>())?;
    write_all(&files)?;
    print!("{}", text::next_steps(&answers, &layout));
    Ok(())
}

impl Layout {
    fn settings(&self) -> PathBuf {
        match self {
            Layout::Folder(folder) => folder.join("site.yaml"),
            Layout::Service => Path::new(SERVICE_SETTINGS).join("site.yaml"),
        }
    }

    fn rules(&self) -> PathBuf {
        match self {
            Layout::Folder(folder) => folder.join("rules"),
            Layout::Service => Path::new(SERVICE_SETTINGS).join("rules"),
        }
    }

    fn data(&self) -> PathBuf {
        match self {
            Layout::Folder(folder) => folder.join("data"),
            Layout::Service => SERVICE_DATA.into(),
        }
    }

    /// Where the secret of this name goes.
    fn secret(&self, name: &str) -> PathBuf {
        match self {
            Layout::Folder(folder) => folder.join("secrets").join(name),
            Layout::Service => crate::secrets::stored(name),
        }
    }
}

fn layout(args: &InitArgs) -> Result<Layout, CommandError> {
    if args.service {
        return Ok(Layout::Service);
    }
    let folder = args.out.clone().unwrap_or_else(|| "site".into());
    // Settings that name whole paths mean the same wherever a command is started.
    let whole = std::path::absolute(&folder).map_err(|source| CommandError::Io {
        what: format!("the folder {} cannot be used; give its whole path", folder.display()),
        source,
    })?;
    Ok(Layout::Folder(whole))
}

/// The files, settings last: where they are, all is there.
fn plan(answers: &Answers, layout: &Layout) -> Result<Vec<Planned>, CommandError> {
    let settings = text::settings(answers, layout);
    let path = layout.settings();
    let faults = |faults: Vec<String>| CommandError::Settings(SettingsError::Faults(faults));
    site::settings::read(&settings, &path.display().to_string())
        .map_err(|found| faults(found.iter().map(ToString::to_string).collect()))?;
    let mut files = Vec::new();
    for (name, login) in [("mail", &answers.relay_login), ("broker", &answers.broker_login)] {
        if let Some(login) = login {
            files.push(Planned { path: layout.secret(name), text: format!("{}\n", login.password), mode: 0o600 });
        }
    }
    let rules = layout.rules();
    // Rules that are there are the site's own, or those of the package.
    if !rules.exists() {
        for (name, rule, cases) in SHIPPED {
            let file = |ending: &str| rules.join(format!("{name}{ending}"));
            files.push(Planned { path: file(RULE_ENDING), text: rule.into(), mode: 0o644 });
            files.push(Planned { path: file(CASES_ENDING), text: cases.into(), mode: 0o644 });
        }
    }
    if let Layout::Folder(folder) = layout {
        let text = settings_schema::schema_text();
        files.push(Planned { path: folder.join("site.schema.json"), text, mode: 0o644 });
    }
    files.push(Planned { path, text: settings, mode: 0o644 });
    Ok(files)
}

fn refuse_if_there(paths: &[PathBuf]) -> Result<(), CommandError> {
    let there: Vec<String> =
        paths.iter().filter(|path| path.symlink_metadata().is_ok()).map(|path| path.display().to_string()).collect();
    if there.is_empty() {
        return Ok(());
    }
    Err(CommandError::Exists(format!(
        "{} is there already, and nothing is overwritten: change it with an editor, or give another folder with --out",
        there.join(", ")
    )))
}

/// Writes all of them, or takes back what it wrote.
fn write_all(files: &[Planned]) -> Result<(), CommandError> {
    let mut written: Vec<&Path> = Vec::new();
    for file in files {
        if let Err(source) = write(file) {
            written.iter().for_each(|path| _ = std::fs::remove_file(path));
            let what =
                format!("{} cannot be written; as root it can, or give another folder with --out", file.path.display());
            return Err(CommandError::CannotCreate { what, source });
        }
        written.push(&file.path);
    }
    Ok(())
}

fn write(file: &Planned) -> io::Result<()> {
    if let Some(folder) = file.path.parent() {
        let mode = if file.mode == 0o600 { 0o700 } else { 0o755 };
        std::fs::DirBuilder::new().recursive(true).mode(mode).create(folder)?;
    }
    let mut out = std::fs::OpenOptions::new().write(true).create_new(true).mode(file.mode).open(&file.path)?;
    out.write_all(file.text.as_bytes())?;
    out.sync_all()
}

/// The password in a file, or on standard input.
fn password_of(path: &Path) -> Result<String, CommandError> {
    let read = || -> io::Result<String> {
        if path == Path::new("-") {
            return files::read_stdin(files::SECRET);
        }
        files::read_text(path, files::SECRET)
    };
    let text = read().map_err(|source| CommandError::NoInput {
        what: format!("the password in {} cannot be read; write it on the first line of that file", path.display()),
        source,
    })?;
    match text.lines().next() {
        Some(line) if !line.is_empty() => Ok(line.to_owned()),
        _ => Err(CommandError::Usage(format!("there is no password on the first line of {}", path.display()))),
    }
}
