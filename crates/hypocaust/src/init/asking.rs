//! The questions of `hypocaust init`, on a terminal; what was given on the command line is not asked.
//!
//! Must never show a password, and never ask where nobody can answer.

use std::io::{BufRead, Write};
use std::path::Path;

use rustix::termios::{LocalModes, OptionalActions, Termios, tcgetattr, tcsetattr};
use site::ids::BinId;
use site::measure::{self, Kind};
use site::settings::fault::nearest;
use site::zone::Zone;

use crate::cli::{DisplayUnits, InitArgs};
use crate::commands::CommandError;

use super::{Answers, Login};

/// Whether an answer will do, and if not, what would.
type Check<'c> = &'c dyn Fn(&str) -> Result<(), String>;

const BINS_MAX: u16 = 300;
const PROBES_MAX: u16 = 3;
const METRES_PER_FOOT: f64 = 0.304_8;

/// A person at a terminal.
pub(super) struct Asking<R, W> {
    answers: R,
    shown: W,
}

/// Why an answer was not had.
#[derive(Debug, thiserror::Error)]
enum AskingError {
    #[error("nobody answers any more")]
    Ended,
    #[error("the terminal cannot be used: {0}")]
    Terminal(#[from] std::io::Error),
}

/// Where answers come from: the command line, then a person, then the default.
struct Source<R, W> {
    person: Option<Asking<R, W>>,
}

/// All answers.
///
/// # Errors
/// When one is missing that has no default, or an argument cannot be used.
pub(super) fn answers<R: BufRead, W: Write>(
    args: InitArgs,
    person: Option<Asking<R, W>>,
    password_of: impl Fn(&Path) -> Result<String, CommandError>,
) -> Result<Answers, CommandError> {
    let mut from = Source { person };
    let name = from.answer(args.name, "--name", ("Name of the site", ""), &is_name)?;
    let id = match args.id {
        Some(id) => from.answer(Some(id), "--id", ("", ""), &is_id)?,
        None => id_of(&name),
    };
    let zone = from.answer(args.zone, "--zone", ("Time zone of its clocks", &zone_of_machine()), &is_zone)?;
    let units = match args.units {
        Some(units) => units,
        None => units_of(&from.answer(None, "--units", ("Units, metric or us", "metric"), &is_units)?),
    };
    let (bare, height) = match units {
        DisplayUnits::Metric => ("m", "Height above sea level, in metres"),
        DisplayUnits::Us => ("ft", "Height above sea level, in feet"),
    };
    let elevation =
        from.answer(args.elevation, "--elevation", (height, "0"), &|text| metres(text, bare).map(|_| ()))?;
    let bins = args.bins.map(|n| n.to_string());
    let bins = from.answer(bins, "--bins", ("How many bins", "1"), &|text| whole(text, BINS_MAX).map(|_| ()))?;
    let probes = args.probes.map(|n| n.to_string());
    let question = "Probes in each bin: 1 (core), 2 (base too) or 3 (upper too)";
    let probes = from.answer(probes, "--probes", (question, "1"), &|text| whole(text, PROBES_MAX).map(|_| ()))?;
    let who = from.answer(args.person, "--person", ("Your name, as the log shall show it", "Site"), &is_name)?;
    let mail_to = from.answer(args.mail_to, "--mail-to", ("Your mail address", ""), &is_address)?;
    let mail_from = from.answer(args.mail_from, "--mail-from", ("Sender of the mails", &mail_to), &is_address)?;
    let question = "Mail relay, HOST or HOST:PORT (none: into a folder, for a trial)";
    let relay = relay_of(&from.answer(args.smtp, "--smtp", (question, ""), &|text| relay_of(text).map(|_| ()))?);
    let relay = relay.map_err(CommandError::Usage)?;
    let mut relay_login = None;
    if relay.is_some() {
        let question = "User at the relay (none: it asks for no password)";
        let user = from.answer(args.smtp_user, "--smtp-user", (question, ""), &|_| Ok(()))?;
        let given = args.smtp_password_from.as_deref().map(&password_of).transpose()?;
        relay_login = from.login(user, given, "--smtp-password-from", "Password at the relay")?;
    }
    // The broker is not asked for: our own is the easy case.
    let given = args.broker_password_from.as_deref().map(&password_of).transpose()?;
    let user = args.broker_user.unwrap_or_default();
    let broker_login = from.login(user, given, "--broker-password-from", "Password at the broker")?;
    let elevation = metres(&elevation, bare).map_err(CommandError::Usage)?;
    Ok(Answers {
        name,
        id,
        zone,
        units,
        elevation: match units {
            DisplayUnits::Metric => format!("elevation_metres: {}", rounded(elevation)),
            DisplayUnits::Us => format!("elevation_feet: {}", rounded(elevation / METRES_PER_FOOT)),
        },
        bins: whole(&bins, BINS_MAX).map_err(CommandError::Usage)?,
        probes: whole(&probes, PROBES_MAX).map_err(CommandError::Usage)?,
        person: who,
        mail_to,
        mail_from,
        relay,
        relay_login,
        broker: args.broker,
        broker_login,
    })
}

impl<R: BufRead, W: Write> Source<R, W> {
    /// One answer that will do; the question comes with its default, which may be none.
    fn answer(
        &mut self,
        given: Option<String>,
        flag: &str,
        (question, default): (&str, &str),
        good: Check<'_>,
    ) -> Result<String, CommandError> {
        let usage = |why: String| CommandError::Usage(format!("{flag}: {why}"));
        match (given, &mut self.person) {
            (Some(given), _) => good(&given).map_err(usage).map(|()| given),
            (None, Some(person)) => person.ask(question, default, good).map_err(|why| unanswered(&why)),
            (None, None) => match good(default) {
                Ok(()) => Ok(default.to_owned()),
                Err(_) => Err(usage("is missing, and there is nobody to ask".into())),
            },
        }
    }

    /// The login of a user, if there is one.
    fn login(
        &mut self,
        user: String,
        given: Option<String>,
        flag: &str,
        question: &str,
    ) -> Result<Option<Login>, CommandError> {
        if user.is_empty() {
            return Ok(None);
        }
        let password = match (given, &mut self.person) {
            (Some(password), _) => password,
            (None, Some(person)) => person.password(question).map_err(|why| unanswered(&why))?,
            (None, None) => return Err(CommandError::Usage(format!("{flag} is missing, and there is nobody to ask"))),
        };
        Ok(Some(Login { user, password }))
    }
}

impl<R: BufRead, W: Write> Asking<R, W> {
    pub(super) fn new(answers: R, shown: W) -> Asking<R, W> {
        Asking { answers, shown }
    }

    /// Asks until the answer is good; nothing typed means `default`.
    fn ask(&mut self, question: &str, default: &str, good: Check<'_>) -> Result<String, AskingError> {
        loop {
            match default {
                "" => write!(self.shown, "{question}: ")?,
                default => write!(self.shown, "{question} [{default}]: ")?,
            }
            let line = self.line()?;
            let answer = if line.is_empty() { default.to_owned() } else { line };
            match good(&answer) {
                Ok(()) => return Ok(answer),
                Err(why) => writeln!(self.shown, "  {why}")?,
            }
        }
    }

    /// Asks for a password; what is typed is not shown.
    fn password(&mut self, question: &str) -> Result<String, AskingError> {
        loop {
            write!(self.shown, "{question} (not shown): ")?;
            let hidden = Hidden::begin();
            let answer = self.line();
            drop(hidden);
            writeln!(self.shown)?;
            match answer? {
                answer if !answer.is_empty() => return Ok(answer),
                _ => writeln!(self.shown, "  type the password, or stop with Ctrl-C")?,
            }
        }
    }

    fn line(&mut self) -> Result<String, AskingError> {
        self.shown.flush()?;
        let mut line = String::new();
        if self.answers.read_line(&mut line)? == 0 {
            return Err(AskingError::Ended);
        }
        Ok(line.trim().to_owned())
    }
}

/// While it lives, the terminal does not show what is typed. Where standard input is no terminal, nothing changes.
struct Hidden(Option<Termios>);

impl Hidden {
    fn begin() -> Hidden {
        let Ok(before) = tcgetattr(std::io::stdin()) else { return Hidden(None) };
        let mut quiet = before.clone();
        quiet.local_modes.remove(LocalModes::ECHO);
        let changed = tcsetattr(std::io::stdin(), OptionalActions::Flush, &quiet);
        Hidden(changed.is_ok().then_some(before))
    }
}

impl Drop for Hidden {
    fn drop(&mut self) {
        if let Some(before) = &self.0 {
            let _ = tcsetattr(std::io::stdin(), OptionalActions::Now, before);
        }
    }
}

fn unanswered(why: &AskingError) -> CommandError {
    CommandError::Usage(format!("{why}; nothing was written"))
}

fn is_name(text: &str) -> Result<(), String> {
    match text.trim() {
        "" => Err("a name is needed here".into()),
        text if text.chars().any(char::is_control) => Err("one line of plain text, please".into()),
        _ => Ok(()),
    }
}

fn is_id(text: &str) -> Result<(), String> {
    BinId::new(text).map(|_| ()).map_err(|e| e.to_string())
}

fn is_zone(text: &str) -> Result<(), String> {
    if Zone::named(text).is_ok() {
        return Ok(());
    }
    let names = Zone::names();
    Err(match nearest(text, names.iter().map(String::as_str)) {
        Some(near) => format!("there is no time zone `{text}`; did you mean `{near}`?"),
        None => format!("there is no time zone `{text}`; write a name such as Europe/Dublin or America/Chicago"),
    })
}

fn is_units(text: &str) -> Result<(), String> {
    match text {
        "metric" | "us" => Ok(()),
        _ => Err("metric (°C, litres) or us (°F, gallons)".into()),
    }
}

fn units_of(text: &str) -> DisplayUnits {
    if text == "us" { DisplayUnits::Us } else { DisplayUnits::Metric }
}

fn is_address(text: &str) -> Result<(), String> {
    match text.split_once('@') {
        Some((local, domain)) if !local.is_empty() && !domain.is_empty() && !text.contains([' ', '<', '>']) => Ok(()),
        _ => Err("write the address alone, such as nora@harrow-lane.example".into()),
    }
}

/// Host and port of a relay; nothing where there is none.
fn relay_of(text: &str) -> Result<Option<(String, Option<u16>)>, String> {
    match text.split_once(':') {
        None if text.is_empty() => Ok(None),
        None => Ok(Some((text.into(), None))),
        Some((host, port)) => match port.parse() {
            Ok(port) if port > 0 && !host.is_empty() => Ok(Some((host.into(), Some(port)))),
            _ => Err(format!("`{text}` is no relay: write mail.example, or mail.example:587")),
        },
    }
}

fn metres(text: &str, bare: &str) -> Result<f64, String> {
    measure::read(text, Kind::Length, Some(bare)).map_err(|e| e.to_string())
}

/// To a tenth: nobody knows it better, and a converted figure would have many digits that say nothing.
fn rounded(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}

fn whole(text: &str, most: u16) -> Result<u16, String> {
    text.parse().ok().filter(|n| (1..=most).contains(n)).ok_or_else(|| format!("a whole number from 1 to {most}"))
}

/// A short name out of one for people: `Harrow Lane Yard` becomes `harrow-lane-yard`.
fn id_of(name: &str) -> String {
    let mut id = String::new();
    for c in name.to_lowercase().chars() {
        match c {
            c if c.is_ascii_alphanumeric() => id.push(c),
            _ if !id.is_empty() && !id.ends_with('-') => id.push('-'),
            _ => {}
        }
    }
    id.truncate(40);
    match id.trim_end_matches('-') {
        "" => "site".into(),
        id => id.into(),
    }
}

/// The machine's own time zone, where it says so in a form that we know.
fn zone_of_machine() -> String {
    let named = std::fs::read_to_string("/etc/timezone").map(|text| text.trim().to_owned()).ok();
    let linked = || {
        let target = std::fs::read_link("/etc/localtime").ok()?;
        Some(target.to_str()?.split_once("zoneinfo/")?.1.to_owned())
    };
    named.or_else(linked).filter(|name| Zone::named(name).is_ok()).unwrap_or_default()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_short_name_is_made_from_any_name() {
        for (name, want, why) in [
            ("Harrow Lane Yard", "harrow-lane-yard", "words become parts"),
            ("  Yard #2 (north) ", "yard-2-north", "signs become one dash"),
            ("Höfe & Söhne", "h-fe-s-hne", "topics and file names bear ASCII only"),
            ("堆肥", "site", "nothing is left of it"),
        ] {
            assert_eq!(id_of(name), want, "{why}");
        }
        assert!(is_id(&id_of(&"very long ".repeat(20))).is_ok(), "cut to what an id may be");
    }

    #[test]
    fn a_bad_answer_is_asked_again_and_nothing_typed_means_the_default() {
        let mut shown = Vec::new();
        let mut person = Asking::new("Mars/Olympus\nEurope/Dublin\n\n".as_bytes(), &mut shown);
        assert_eq!(person.ask("Zone", "UTC", &is_zone).unwrap(), "Europe/Dublin");
        assert_eq!(person.ask("Bins", "1", &|text| whole(text, 300).map(|_| ())).unwrap(), "1");
        assert!(matches!(person.ask("More", "", &is_name), Err(AskingError::Ended)), "nobody answers any more");
        let shown = String::from_utf8(shown).unwrap();
        assert!(shown.contains("there is no time zone `Mars/Olympus`"), "{shown}");
    }

    #[test]
    fn a_relay_is_a_host_with_or_without_a_port() {
        for (text, want) in [
            ("", Ok(None)),
            ("mail.example", Ok(Some(("mail.example".to_owned(), None)))),
            ("mail.example:2525", Ok(Some(("mail.example".to_owned(), Some(2525))))),
            ("mail.example:", Err(())),
            (":25", Err(())),
            ("mail.example:0", Err(())),
        ] {
            assert_eq!(relay_of(text).map_err(|_| ()), want, "{text}");
        }
    }
}
