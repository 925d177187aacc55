//! What leaves the site: the broker, mail, the sounder and the heartbeat.
//!
//! Must never let a password stand in the settings, nor a link leave the machine unprotected unless that is spelled out.

use std::net::IpAddr;
use std::net::SocketAddr;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use pile::time::Span;

use crate::access;
use crate::model::{
    Broker, BrokerUser, Embedded, Heartbeat, HeartbeatAddress, LinkSecurity, Login, Mail, SecretFile, Sounder, TlsDoor,
    Transport,
};

use super::fault::Faults;
use super::node::{Kind, Node, shortened};
use super::section::{Item, Section};
use super::topics::{self, Patterns};

const BROKER_KEYS: [&str; 9] = [
    "embedded",
    "url",
    "security",
    "user",
    "password_file",
    "credential",
    "ca_file",
    "client_id",
    "alarm_after_minutes",
];
const EMBEDDED_KEYS: [&str; 6] = ["listen", "security", "tls", "password_file", "credential", "users"];
const TLS_KEYS: [&str; 4] = ["listen", "certificate_file", "key_file", "key_credential"];
const USER_KEYS: [&str; 3] = ["user", "publish", "subscribe"];
const MAIL_KEYS: [&str; 4] = ["from", "domain", "folder", "smtp"];
const SMTP_KEYS: [&str; 7] = ["host", "port", "security", "ca_file", "user", "password_file", "credential"];

/// Where a password is.
const PASSWORD_KEYS: [&str; 2] = ["password_file", "credential"];

const HEARTBEAT_KEYS: [&str; 4] = ["url", "url_file", "credential", "every_minutes"];
const HEARTBEAT_EXAMPLE: &str = "https://watch.example/harrow-lane";

/// The ports that the broker and the mail relay use when the settings name none: IANA registry, RFC 6409, RFC 8314.
const MQTT_PORT: u16 = 1883;
const MQTTS_PORT: u16 = 8883;
const SUBMISSION_PORT: u16 = 587;
const SUBMISSIONS_PORT: u16 = 465;
const SMTP_PORT: u16 = 25;

#[derive(Clone, Copy, PartialEq)]
enum Security {
    Plain,
    StartTls,
    Tls,
}

/// How long the link to the broker may be down before an alarm tells, in minutes. A broker that is restarted is back within one; whoever
/// waits for longer than two hours has no alarm.
const ALARM_AFTER_MINUTES: RangeInclusive<i64> = 1..=120;
const ALARM_AFTER_MINUTES_USUAL: i64 = 10;

/// Reads how long the link to the broker may be down before an alarm tells.
pub(super) fn broker_alarm_after(top: &Section<'_>, faults: &mut Faults) -> Option<Span> {
    let usual = Span::minutes(ALARM_AFTER_MINUTES_USUAL);
    // What else is wrong in the section is told by whoever reads the rest of it.
    let told_elsewhere = &mut Faults::new("");
    let section =
        top.optional("broker").and_then(|item| Section::open(item.node, "broker", &BROKER_KEYS, told_elsewhere));
    match section.filter(|section| !section.has("embedded")).and_then(|section| section.optional("alarm_after_minutes"))
    {
        Some(item) => item.whole(ALARM_AFTER_MINUTES, "min", faults).map(Span::minutes),
        None => Some(usual),
    }
}

/// Reads `broker`; without one, the daemon brings its own, on the loopback address.
pub(super) fn broker(top: &Section<'_>, site_id: Option<&str>, faults: &mut Faults) -> Option<Broker> {
    let Some(item) = top.optional("broker") else {
        let listen = Some(SocketAddr::from(([127, 0, 0, 1], MQTT_PORT)));
        return Some(Broker::Embedded(Embedded { listen, ..Embedded::default() }));
    };
    let section = Section::open(item.node, "broker", &BROKER_KEYS, faults)?;
    match (section.optional("embedded"), section.optional("url")) {
        (Some(item), None) => {
            for key in BROKER_KEYS.into_iter().filter(|key| *key != "embedded") {
                section.refuse(
                    key,
                    "is for a broker that runs elsewhere, but this one is embedded",
                    "remove it, or move it under `embedded` if it is known there",
                    faults,
                );
            }
            embedded(&item, faults)
        }
        (None, Some(url)) => remote(&section, &url, site_id, faults),
        (Some(_), Some(url)) => {
            faults.add(
                url.node.at,
                "broker has both `embedded` and `url`",
                "keep `embedded` to let hypocaust bring its own broker, or `url` to use one that runs already",
            );
            None
        }
        (None, None) => {
            if !section.has("embedded") && !section.has("url") {
                faults.add(
                    section.at,
                    "broker has neither `embedded` nor `url`",
                    "add `embedded: { listen: \"127.0.0.1:1883\" }`, or `url: \"mqtts://broker.example:8883\"`",
                );
            }
            None
        }
    }
}

fn embedded(item: &Item<'_>, faults: &mut Faults) -> Option<Broker> {
    let section = Section::open(item.node, "the embedded broker", &EMBEDDED_KEYS, faults)?;
    let passwords = secret(&section, PASSWORD_KEYS[0], PASSWORD_KEYS[1], faults);
    let plain = section.optional("security").and_then(|item| item.choice(&[("plain", ())], faults)).is_some();
    let tls = section.optional("tls").map(|item| tls_door(&item, faults));
    let item = match tls {
        None => section.required("listen", "`listen: \"127.0.0.1:1883\"`", faults),
        Some(_) => section.optional("listen"),
    };
    let listen = item.as_ref().map(|item| listen_address(item, faults));
    let open = passwords.as_ref().is_ok_and(Option::is_none);
    let mut faulty = false;
    let beyond = |address: &SocketAddr| !address.ip().is_loopback();
    for (address, at) in [
        (listen.flatten(), item.as_ref().map(|item| item.node.at)),
        (tls.iter().flatten().map(|door| door.listen).next(), section.optional("tls").map(|item| item.node.at)),
    ] {
        let (Some(address), Some(at)) = (address.filter(beyond), at) else { continue };
        if open {
            faulty = true;
            faults.add(
                at,
                format!("the embedded broker listens on {address}, which other machines can reach, and nobody is asked for a password"),
                "add `password_file: /path`, or listen on \"127.0.0.1:1883\"; whoever can publish can make readings up",
            );
        }
    }
    // One thing at a time: without passwords there is nothing to read on the wire yet.
    if let (Some(address), Some(item), false) = (listen.flatten().filter(beyond), &item, plain || open) {
        faulty = true;
        faults.add(
            item.node.at,
            format!("{} is {address}, which other machines reach without encryption: passwords and readings would travel open", item.label),
            "listen on \"127.0.0.1:1883\" here and add `tls: { listen: \"0.0.0.0:8883\", certificate_file: /path, key_file: /path }`, or write \
             `security: plain` beside it if every wire to this machine is your own",
        );
    }
    let users = users(&section, faults);
    if let (true, Some(item)) = (open, section.optional("users")) {
        faulty = true;
        faults.add(
            item.node.at,
            format!("{} is there, but nobody has to prove who they are", item.label),
            "add `password_file: /path` with a line `user:password` for each client, or remove `users`",
        );
    }
    let listen = match listen {
        Some(listen) => Some(listen?),
        None => None,
    };
    let tls = match tls {
        Some(tls) => Some(tls?),
        None => None,
    };
    if faulty || (listen.is_none() && tls.is_none()) {
        return None;
    }
    Some(Broker::Embedded(Embedded { listen, tls, passwords: passwords.ok()?, users }))
}

fn listen_address(item: &Item<'_>, faults: &mut Faults) -> Option<SocketAddr> {
    let text = match &item.node.kind {
        Kind::Number(_) => None,
        _ => Some(item.text(faults)?),
    };
    let listen = text.and_then(|text| text.parse::<SocketAddr>().ok());
    if listen.is_none() {
        faults.add(
            item.node.at,
            format!("{} is {}, which is not an address with a port", item.label, item.node.kind.described()),
            "write it in quotes like \"127.0.0.1:1883\", or \"[::1]:1883\"; for every network of the machine \"0.0.0.0:8883\" under `tls`, with a password_file",
        );
    }
    listen
}

fn tls_door(item: &Item<'_>, faults: &mut Faults) -> Option<TlsDoor> {
    let section = Section::open(item.node, "tls of the embedded broker", &TLS_KEYS, faults)?;
    let listen =
        section.required("listen", "`listen: \"0.0.0.0:8883\"`", faults).and_then(|item| listen_address(&item, faults));
    let certificate = section
        .required(
            "certificate_file",
            "the certificate of this machine, `certificate_file: /etc/hypocaust/broker.pem`",
            faults,
        )
        .and_then(|item| item.path(faults));
    let key = secret(&section, "key_file", "key_credential", faults);
    if key == Ok(None) {
        faults.add(
            section.at,
            format!("{} has no private key", section.called),
            "add `key_file: /etc/hypocaust/broker.key`, or `key_credential: broker-key`",
        );
    }
    Some(TlsDoor { listen: listen?, certificate: certificate?, key: key.ok()?? })
}

/// Reads who may do what at the embedded broker.
fn users(section: &Section<'_>, faults: &mut Faults) -> Vec<BrokerUser> {
    let entries = section.list("users", faults);
    if entries.len() > access::USERS_MAX {
        faults.add(
            section.at,
            format!("`users` in {} has {} entries", section.called, entries.len()),
            format!("name at most {}; a probe's user needs no entry", access::USERS_MAX),
        );
        return Vec::new();
    }
    let mut users: Vec<BrokerUser> = Vec::new();
    for node in entries {
        let Some(user) = user(node, faults) else { continue };
        if users.iter().any(|other| other.name == user.name) {
            faults.add(
                node.at,
                format!("the user `{}` of the embedded broker has two entries", shortened(&user.name)),
                "keep one of the two, with all that the user may do",
            );
        }
        users.push(user);
    }
    users
}

fn user(node: &Node, faults: &mut Faults) -> Option<BrokerUser> {
    let section = Section::open_named(node, "user", "user", &USER_KEYS, faults)?;
    let name = section.required("user", "the name in the password file, such as `user: panel`", faults)?;
    let text = name.text(faults)?;
    if text.len() > access::USER_BYTES_MAX || text.contains([':', '/', '+', '#']) {
        faults.add(
            name.node.at,
            format!("{} is `{}`", name.label, shortened(text)),
            format!("use up to {} bytes without `:`, `/`, `+` and `#`", access::USER_BYTES_MAX),
        );
        return None;
    }
    let mut filters = |key: &str| -> Option<Vec<String>> {
        let Some(item) = section.optional(key) else { return Some(Vec::new()) };
        let nodes = item.list(faults);
        if nodes.len() > access::FILTERS_MAX {
            faults.add(
                item.node.at,
                format!("{} has {} topics", item.label, nodes.len()),
                format!("name at most {}; `+` stands for one level and `#` for all that follow", access::FILTERS_MAX),
            );
            return None;
        }
        let mut all = Vec::new();
        for node in nodes {
            let item = Item { node, label: format!("a topic of {}", item.label) };
            let text = item.text(faults)?;
            if let Err(why) = access::check_filter(text) {
                faults.add(
                    node.at,
                    format!("{} is `{}`, which {why}", item.label, shortened(text)),
                    "write it like \"yard/north-1/#\" or \"yard/+/core/temperature\"",
                );
                return None;
            }
            all.push(text.to_owned());
        }
        Some(all)
    };
    Some(BrokerUser { name: text.into(), publish: filters("publish")?, subscribe: filters("subscribe")? })
}

fn remote(section: &Section<'_>, url: &Item<'_>, site_id: Option<&str>, faults: &mut Faults) -> Option<Broker> {
    let login = login(section, faults);
    let ca_file = section.optional("ca_file").map(|item| item.path(faults));
    let client_id = match section.optional("client_id") {
        Some(item) => client_id(&item, faults),
        None => site_id.map(|id| format!("hypocaust-{id}")),
    };
    let spelled = section
        .optional("security")
        .map(|item| (item.node.at, item.choice(&[("plain", Security::Plain), ("tls", Security::Tls)], faults)));
    let text = url.text(faults)?;
    // First of all, because every later message shows the address.
    if text.contains('@') {
        faults.add(
            url.node.at,
            format!("{} has a user name in it", url.label),
            "take it out and write `user:` with `password_file:` or `credential:` beside it; change the password if it stood there too",
        );
        return None;
    }
    let example = "write it like \"mqtts://broker.example:8883\"";
    let Some((scheme, rest)) = text.split_once("://") else {
        faults.add(url.node.at, format!("{} is `{}`, which has no scheme", url.label, shortened(text)), example);
        return None;
    };
    let (security, default_port) = match scheme {
        "mqtts" => (Security::Tls, MQTTS_PORT),
        "mqtt" => (Security::Plain, MQTT_PORT),
        _ => {
            faults.add(
                url.node.at,
                format!("{} has the scheme `{}`, which is not spoken here", url.label, shortened(scheme)),
                "use mqtts:// (with TLS) or mqtt:// (without)",
            );
            return None;
        }
    };
    let authority = rest.strip_suffix('/').unwrap_or(rest);
    let Some((host, port)) = host_and_port(authority, default_port) else {
        faults.add(
            url.node.at,
            format!("{} is `{}`, which is not a host with a port", url.label, shortened(text)),
            example,
        );
        return None;
    };
    if security == Security::Plain
        && let Some(Some(_)) = &ca_file
    {
        section.refuse("ca_file", "is for TLS, and mqtt:// has none", "write mqtts:// in `url`, or remove it", faults);
    }
    match spelled {
        Some((at, Some(spelled))) if spelled != security => {
            faults.add(
                at,
                format!("`security` in broker does not agree with `{scheme}://` in `url`"),
                "use mqtts:// with tls and mqtt:// with plain",
            );
            return None;
        }
        None if security == Security::Plain && !is_loopback(&host) => {
            faults.add(
                url.node.at,
                format!("{} leaves this machine without encryption, to {host}", url.label),
                "use mqtts://, or write `security: plain` beside it if every wire to that host is your own",
            );
            return None;
        }
        Some((_, None)) => return None,
        _ => {}
    }
    let ca_file = match ca_file {
        Some(path) => Some(path?),
        None => None,
    };
    let security = match security {
        Security::Tls => LinkSecurity::Tls { ca_file },
        _ => LinkSecurity::Plain,
    };
    Some(Broker::Remote { host, port, security, login: login.ok()?, client_id: client_id? })
}

fn client_id(item: &Item<'_>, faults: &mut Faults) -> Option<String> {
    let text = item.text(faults)?;
    // MQTT 5.0 section 3.1.3.1 lets a server refuse more; every known broker takes 64 printable characters.
    if text.len() > 64 || !text.chars().all(|c| c.is_ascii_graphic()) {
        faults.add(
            item.node.at,
            format!("{} is `{}`", item.label, shortened(text)),
            "use up to 64 letters, digits and signs, without spaces",
        );
        return None;
    }
    Some(text.into())
}

/// Where the secret of this section is, by a path or by a name; `Err` where that is faulty.
pub(super) fn secret(
    section: &Section<'_>,
    file_key: &str,
    name_key: &str,
    faults: &mut Faults,
) -> Result<Option<SecretFile>, ()> {
    match (section.optional(file_key), section.optional(name_key)) {
        (Some(_), Some(item)) => {
            faults.add(item.node.at, format!("{} stands beside `{file_key}`", item.label), "keep one of the two");
            Err(())
        }
        (Some(item), None) => item.path(faults).map(|path| Some(SecretFile::File(path))).ok_or(()),
        (None, Some(item)) => {
            let text = item.text(faults).ok_or(())?;
            if text.contains('/') || text.starts_with('.') {
                faults.add(
                    item.node.at,
                    format!("{} is `{}`, which is not a plain file name", item.label, shortened(text)),
                    format!("write the name that the service unit gives it, such as `LoadCredential=mail:/etc/...` gives `mail`; a path goes under `{file_key}`"),
                );
                return Err(());
            }
            Ok(Some(SecretFile::Credential(text.into())))
        }
        (None, None) if section.has(file_key) || section.has(name_key) => Err(()),
        (None, None) => Ok(None),
    }
}

fn login(section: &Section<'_>, faults: &mut Faults) -> Result<Option<Login>, ()> {
    let password = secret(section, PASSWORD_KEYS[0], PASSWORD_KEYS[1], faults)?;
    let user = section.optional("user");
    match (user, password) {
        (Some(user), Some(password)) => {
            user.text(faults).map(|user| Some(Login { user: user.into(), password })).ok_or(())
        }
        (Some(user), None) => {
            faults.add(
                user.node.at,
                format!("{} has no password beside it", user.label),
                "add `password_file: /path` or `credential: name`",
            );
            Err(())
        }
        (None, Some(_)) => {
            let at = section
                .optional("password_file")
                .or(section.optional("credential"))
                .map_or(section.at, |item| item.node.at);
            faults.add(
                at,
                format!("{} has a password but no `user`", section.called),
                "add `user:`, or remove the password",
            );
            Err(())
        }
        (None, None) => Ok(None),
    }
}

pub(super) fn host_and_port(authority: &str, default_port: u16) -> Option<(String, u16)> {
    let (host, port) = match authority.strip_prefix('[') {
        Some(rest) => {
            let (host, after) = rest.split_once(']')?;
            host.parse::<IpAddr>().ok().filter(IpAddr::is_ipv6)?;
            let port = match after {
                "" => default_port,
                after => port_number(after.strip_prefix(':')?)?,
            };
            (host, port)
        }
        None => match authority.split_once(':') {
            Some((host, port)) => (host, port_number(port)?),
            None => (authority, default_port),
        },
    };
    let ok = authority.starts_with('[') || is_host(host);
    ok.then(|| (host.into(), port))
}

fn port_number(text: &str) -> Option<u16> {
    text.parse().ok().filter(|port| *port > 0)
}

fn is_host(text: &str) -> bool {
    !text.is_empty()
        && text.len() <= 253
        && text.chars().all(|c| c.is_alphanumeric() || "-._".contains(c))
        && !text.starts_with(['-', '.'])
}

pub(super) fn is_loopback(host: &str) -> bool {
    host == "localhost" || host.parse::<IpAddr>().is_ok_and(|ip| ip.is_loopback())
}

/// Reads `mail`; a relative `folder` lies in the data folder.
pub(super) fn mail(top: &Section<'_>, data_folder: Option<&Path>, faults: &mut Faults) -> Option<Mail> {
    let item = top.required(
        "mail",
        "`mail: { from: \"compost@your.domain\", folder: mail }` for a trial, or `smtp:` in place of `folder:`",
        faults,
    )?;
    let section = Section::open(item.node, "mail", &MAIL_KEYS, faults)?;
    let from = section
        .required("from", "the sender, such as `from: \"compost@your.domain\"`", faults)
        .and_then(|item| address(&item, faults));
    let domain = match section.optional("domain") {
        Some(item) => mail_domain(&item, faults),
        None => from.as_deref().and_then(|from| from.rsplit_once('@')).map(|(_, domain)| domain.into()),
    };
    let transport = match (section.optional("folder"), section.optional("smtp")) {
        (Some(item), None) => {
            item.path(faults).map(|path| Transport::Folder(data_folder.map_or(path.clone(), |data| data.join(&path))))
        }
        (None, Some(item)) => smtp(&item, faults),
        (Some(_), Some(item)) => {
            faults.add(
                item.node.at,
                "mail has both `folder` and `smtp`",
                "keep `folder` for a trial run, or `smtp` to send for real",
            );
            None
        }
        (None, None) => {
            if !section.has("folder") && !section.has("smtp") {
                faults.add(
                    section.at,
                    "mail has no way out",
                    "add `folder: mail` for a trial run, or `smtp: { host: mail.your.domain }`",
                );
            }
            None
        }
    };
    Some(Mail { from: from?, domain: domain?, transport: transport? })
}

fn smtp(item: &Item<'_>, faults: &mut Faults) -> Option<Transport> {
    let section = Section::open(item.node, "smtp", &SMTP_KEYS, faults)?;
    let host = section.required("host", "the mail relay, such as `host: mail.your.domain`", faults).and_then(|item| {
        let text = item.text(faults)?;
        if is_host(text) || text.parse::<IpAddr>().is_ok() {
            return Some(text);
        }
        if text.contains('@') {
            faults.add(
                item.node.at,
                format!("{} has a user name in it", item.label),
                "take it out and write `user:` with `password_file:` or `credential:` beside it; change the password if it stood there too",
            );
            return None;
        }
        faults.add(
            item.node.at,
            format!("{} is `{}`, which is not a host name", item.label, shortened(text)),
            "write the name or address alone; the port goes under `port`",
        );
        None
    });
    let port = section.optional("port").map(|item| item.whole(1..=65_535, "", faults));
    let login = login(&section, faults);
    let ca_file = section.optional("ca_file").map(|item| item.path(faults));
    let options = [("starttls", Security::StartTls), ("tls", Security::Tls), ("plain", Security::Plain)];
    let security = section.optional("security").map(|item| item.choice(&options, faults));
    let host = host?;
    let port = match port {
        Some(port) => Some(u16::try_from(port?).ok()?),
        None => None,
    };
    // Left to itself, a link that leaves the machine is always encrypted.
    let security = match security {
        Some(spelled) => spelled?,
        None if port == Some(SUBMISSIONS_PORT) => Security::Tls,
        None if is_loopback(host) => Security::Plain,
        None => Security::StartTls,
    };
    if security == Security::Plain && ca_file.is_some() {
        section.refuse(
            "ca_file",
            "is for TLS, and `security` is plain",
            "write `security: starttls`, or remove it",
            faults,
        );
        return None;
    }
    let ca_file = match ca_file {
        Some(path) => Some(path?),
        None => None,
    };
    let (security, default_port) = match security {
        Security::Plain => (LinkSecurity::Plain, SMTP_PORT),
        Security::StartTls => (LinkSecurity::StartTls { ca_file }, SUBMISSION_PORT),
        Security::Tls => (LinkSecurity::Tls { ca_file }, SUBMISSIONS_PORT),
    };
    Some(Transport::Smtp { host: host.into(), port: port.unwrap_or(default_port), security, login: login.ok()? })
}

pub(super) fn address(item: &Item<'_>, faults: &mut Faults) -> Option<String> {
    let text = item.text(faults)?;
    let ok = text.len() <= 254
        && text.split_once('@').is_some_and(|(local, domain)| {
            !local.is_empty() && local.chars().all(is_local_char) && is_host(domain) && !domain.ends_with('.')
        });
    if !ok {
        faults.add(
            item.node.at,
            format!("{} is `{}`, which is not a mail address", item.label, shortened(text)),
            "write the address alone, such as \"nora@your.domain\", without a name or <>",
        );
        return None;
    }
    Some(text.into())
}

/// The characters of an unquoted local part: RFC 5322 section 3.2.3 `atext` and the dot, and letters beyond ASCII (RFC 6531).
fn is_local_char(c: char) -> bool {
    c.is_alphanumeric() || "!#$%&'*+-/=?^_`{|}~.".contains(c)
}

fn mail_domain(item: &Item<'_>, faults: &mut Faults) -> Option<String> {
    let text = item.text(faults)?;
    if !is_host(text) {
        faults.add(
            item.node.at,
            format!("{} is `{}`, which is not a domain", item.label, shortened(text)),
            "write it like your.domain; without it the domain of `from` is used",
        );
        return None;
    }
    Some(text.into())
}

/// Reads `sounder`.
pub(super) fn sounder(top: &Section<'_>, patterns: &Patterns, faults: &mut Faults) -> Option<Sounder> {
    let item = top.optional("sounder")?;
    let section = Section::open(item.node, "sounder", &["topic", "on", "off"], faults)?;
    let topic = section
        .required("topic", "where to publish, such as `topic: \"yard/sounder\"`", faults)
        .and_then(|item| topics::read_plain_topic(&item, patterns, faults));
    let on = section.optional("on").map_or(Some("ON"), |item| item.text(faults));
    let off = section.optional("off").map_or(Some("OFF"), |item| item.text(faults));
    if let (Some(on), Some(off)) = (on, off)
        && on == off
    {
        faults.add(
            section.at,
            format!("sounder sends `{}` for on and for off", shortened(on)),
            "give `on` and `off` different payloads",
        );
    }
    Some(Sounder { topic: topic?, on: on?.into(), off: off?.into() })
}

/// Reads `heartbeat`.
pub(super) fn heartbeat(top: &Section<'_>, faults: &mut Faults) -> Option<Heartbeat> {
    let item = top.optional("heartbeat")?;
    let section = Section::open(item.node, "heartbeat", &HEARTBEAT_KEYS, faults)?;
    let address = match (secret(&section, HEARTBEAT_KEYS[1], HEARTBEAT_KEYS[2], faults), section.optional("url")) {
        (Ok(Some(_)), Some(item)) => {
            faults.add(
                item.node.at,
                format!("{} stands beside a file with the address", item.label),
                "remove it: the file is the safe one of the two",
            );
            None
        }
        (Ok(Some(secret)), None) => Some(HeartbeatAddress::Secret(secret)),
        (Ok(None), Some(item)) => {
            web_address(&item, HEARTBEAT_EXAMPLE, faults).map(|url| HeartbeatAddress::Plain(url.into()))
        }
        (Ok(None), None) => {
            if !section.has("url") {
                let remedy = "write the address on the first line of a file and name that: `credential: heartbeat`, or `url_file: /path`";
                faults.add(section.at, "heartbeat has no address", remedy);
            }
            None
        }
        (Err(()), _) => None,
    };
    let every = match section.optional("every_minutes") {
        Some(item) => item.number(1.0..=1_440.0, "min", faults).map(|minutes| Span::from_seconds_f64(minutes * 60.0)),
        None => Some(Span::minutes(15)),
    };
    Some(Heartbeat { address: address?, every: every? })
}

/// A web address without a user name.
pub(super) fn web_address<'t>(item: &Item<'t>, example: &str, faults: &mut Faults) -> Option<&'t str> {
    let text = item.text(faults)?;
    if text.contains('@') {
        faults.add(
            item.node.at,
            format!("{} has a user name in it", item.label),
            "use an address that needs none, and change the password if it stood there",
        );
        return None;
    }
    if host_of(text).is_none() {
        faults.add(
            item.node.at,
            format!("{} is `{}`, which is not a web address", item.label, shortened(text)),
            format!("write it like \"{example}\""),
        );
        return None;
    }
    Some(text)
}

/// The host of a web address with its port, or `None` where a text is no web address.
pub fn host_of(text: &str) -> Option<&str> {
    let rest = text.strip_prefix("https://").or(text.strip_prefix("http://"))?;
    let authority = rest.split(['/', '?', '#']).next().unwrap_or_default();
    let ok =
        host_and_port(authority, 443).is_some() && text.chars().all(|c| c.is_ascii_graphic()) && !text.contains('@');
    ok.then_some(authority)
}

/// Reads `data_folder`; a relative one lies in the folder that the daemon is started in.
pub(super) fn data_folder(top: &Section<'_>, faults: &mut Faults) -> Option<PathBuf> {
    top.optional("data_folder").map_or_else(|| Some(PathBuf::from("data")), |item| item.path(faults))
}
