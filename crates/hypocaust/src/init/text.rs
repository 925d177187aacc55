//! The words of new settings, and of what to do next.
//!
//! Must never let an answer become anything but a text of YAML.

use std::fmt::Write;
use std::path::Path;

use crate::cli::DisplayUnits;

use super::{Answers, Layout, Login, SERVICE_SCHEMA};

/// Positions of the probes of a bin, in the order in which they are fitted.
const POSITIONS: [&str; 3] = ["core", "base", "upper"];

/// The settings, with a comment at each thing that a site is likely to change.
pub(super) fn settings(answers: &Answers, layout: &Layout) -> String {
    let schema = match layout {
        Layout::Folder(_) => "site.schema.json",
        Layout::Service => SERVICE_SCHEMA,
    };
    let mut text = format!(
        "# yaml-language-server: $schema={schema}\n\
         #\n\
         # The settings of {heading}, begun by `hypocaust init`. What else can stand here is in `man 5 hypocaust.yaml` and in\n\
         # the annotated example that ships with the program. After each change: `hypocaust check`, which names every fault.\n\
         \n\
         site:\n  \
           # Short name in topics and mail subjects. Do not change it later.\n  \
           id: {id}\n  \
           name: {name}\n  \
           zone: {zone}\n  \
           units: {units}\n  \
           # Height above sea level: air pressure follows from it.\n  \
           {elevation}\n\
         \n\
         # Where the readings, the record and the socket live. Back this folder up.\n\
         data_folder: {data}\n\
         \n",
        heading = answers.name.replace(char::is_control, " "),
        id = quoted(&answers.id),
        name = quoted(&answers.name),
        zone = quoted(&answers.zone),
        units = match answers.units {
            DisplayUnits::Metric => "metric",
            DisplayUnits::Us => "us",
        },
        elevation = answers.elevation,
        data = path(&layout.data()),
    );
    broker(&mut text, answers, layout);
    plant(&mut text, answers);
    mail(&mut text, answers, layout);
    let _ = write!(
        text,
        "rules:\n  \
           # One .rhai file a rule. The files are yours to read, change and add to; `hypocaust rules test` runs their cases.\n  \
           folder: {}\n  \
           # Numbers that differ from what the rules ship with: `hypocaust rules show temperature-crash` shows them.\n  \
           # settings:\n  \
           #   temperature-crash: {{ fall: 5.6 }}\n\
         \n\
         # What batches are judged by; `hypocaust criteria list` shows what there is, and your permit decides.\n\
         # criteria:\n\
         #   - id: us503-pfrp-asp\n\
         #     permit: \"the condition of your permit, in its own words\"\n",
        path(&layout.rules()),
    );
    text
}

fn broker(text: &mut String, answers: &Answers, layout: &Layout) {
    let Some(url) = &answers.broker else {
        text.push_str(
            "# Our own broker, on this machine only. For probes elsewhere add `tls:` with a certificate and a password_file (a line\n\
             # `user:password` for each client; man 5 hypocaust.yaml), or use a broker of your own: `url: \"mqtts://broker.example:8883\"`.\n\
             broker:\n  embedded: { listen: \"127.0.0.1:1883\" }\n\n",
        );
        return;
    };
    let _ = writeln!(text, "broker:\n  url: {}", quoted(url));
    if let Some(login) = &answers.broker_login {
        secret(text, "  ", "broker", login, layout);
    }
    text.push_str(
        "  # The authority to trust; the system's own without it.\n  # ca_file: /etc/hypocaust/broker-ca.pem\n\n",
    );
}

fn plant(text: &mut String, answers: &Answers) {
    let (unit, flow, volume) = match answers.units {
        DisplayUnits::Metric => ("Cel", "flow_m3_per_h: 150", "volume_m3: 2.5"),
        DisplayUnits::Us => ("\"[degF]\"", "flow_cfm: 90", "volume_yd3: 3.3"),
    };
    let _ = write!(
        text,
        "# {id}/bin-1/core/temperature with a number in it is a reading of the probe bin-1-core. Other payloads: see the example.\n\
         topics:\n  \
           - topic: \"{id}/{{bin}}/{{probe}}/temperature\"\n    \
             payload: number\n    \
             source: \"{{bin}}-{{probe}}\"\n    \
             quantity: temperature\n    \
             unit: {unit}\n\
         \n\
         # What the blower delivers, and when it is meant to run: with it come the rules about missing air. Its bins then say\n\
         # `blower: blower-1`.\n\
         # blowers:\n\
         #   - id: blower-1\n\
         #     {flow}\n\
         #     schedule: {{ on_seconds: 45, every_minutes: 30 }}\n\
         \n\
         # volume: what a bin holds when full.\n\
         # every_seconds: the longest time between two readings of a probe when all is well; silence is judged by it.\n\
         bins:\n",
        id = answers.id,
    );
    for bin in 1..=answers.bins {
        let _ = writeln!(text, "  - id: bin-{bin}\n    {volume}\n    probes:");
        for position in POSITIONS.iter().take(answers.probes.into()) {
            let _ = writeln!(text, "      - {{ id: bin-{bin}-{position}, position: {position}, every_seconds: 300 }}");
        }
    }
    text.push('\n');
}

fn mail(text: &mut String, answers: &Answers, layout: &Layout) {
    let from = quoted(&answers.mail_from);
    let _ =
        writeln!(text, "mail:\n  # The sender: a mailbox that somebody reads, because people answer.\n  from: {from}");
    match &answers.relay {
        None => text.push_str(
            "  # For a trial: one .eml file a mail in this folder, inside the data folder.\n  folder: mail\n  \
             # For real, in place of `folder`:\n  # smtp: { host: mail.example, user: compost, password_file: /path/to/a/file }\n",
        ),
        Some((host, port)) => {
            let _ = writeln!(text, "  smtp:\n    host: {}", quoted(host));
            if let Some(port) = port {
                let _ = writeln!(text, "    port: {port}");
            }
            text.push_str("    # Encrypted unless the relay is this machine; `security: tls`, `starttls` or `plain` says otherwise.\n");
            if let Some(login) = &answers.relay_login {
                secret(text, "    ", "mail", login, layout);
            }
        }
    }
    let _ = writeln!(
        text,
        "\n# role: crew, owner or reader, or `gets:` with a list, says what reaches them; without either alarms, round list and summary.\n\
         people:\n  - {{ name: {}, mail: {} }}\n",
        quoted(&answers.person),
        quoted(&answers.mail_to),
    );
}

fn secret(text: &mut String, indent: &str, name: &str, login: &Login, layout: &Layout) {
    let _ = writeln!(text, "{indent}user: {}", quoted(&login.user));
    let file = layout.secret(name);
    let _ = match layout {
        Layout::Folder(_) => writeln!(text, "{indent}password_file: {}", path(&file)),
        Layout::Service => writeln!(
            text,
            "{indent}# The password is the first line of {}; the service is handed it under this name.\n\
             {indent}credential: {name}",
            file.display(),
        ),
    };
}

/// What was written, and the next three commands.
pub(super) fn next_steps(answers: &Answers, layout: &Layout) -> String {
    let settings = layout.settings();
    let (with, run) = match layout {
        Layout::Folder(_) => {
            let with = format!("--config {} ", settings.display());
            (with.clone(), format!("hypocaust {with}run"))
        }
        Layout::Service => (String::new(), "systemctl enable --now hypocaust".into()),
    };
    format!(
        "{} is written. A probe publishes its number on {}/bin-1/core/temperature.\n\n\
         Next:\n  hypocaust {with}check\n  hypocaust {with}mail test\n  {run}\n",
        settings.display(),
        answers.id,
    )
}

fn path(path: &Path) -> String {
    quoted(&path.display().to_string())
}

/// A text as YAML takes it for a text: bare where that is plain, else in double quotes as JSON has them.
fn quoted(text: &str) -> String {
    let plain = text.starts_with(|c: char| c.is_ascii_alphabetic() || c == '/')
        && text.chars().all(|c| c.is_ascii_alphanumeric() || "-_./".contains(c))
        && !["true", "false", "null", "yes", "no", "on", "off", "y", "n"].contains(&text.to_lowercase().as_str());
    if plain { text.into() } else { serde_json::Value::from(text).to_string() }
}
