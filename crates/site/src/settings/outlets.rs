//! Where programs of others look: the copy in InfluxDB, and the page with figures about the daemon itself.
//!
//! Must never let a token stand in the settings, nor either leave the machine unprotected unless that is spelled out.

use std::net::SocketAddr;

use crate::model::Influx;

use super::fault::Faults;
use super::links::{host_and_port, is_loopback, secret, web_address};
use super::section::{Item, Section};

const INFLUX_KEYS: [&str; 8] =
    ["url", "security", "ca_file", "organisation", "bucket", "token_file", "token_credential", "catch_up_per_second"];
const METRICS_KEYS: [&str; 2] = ["listen", "security"];
const INFLUX_EXAMPLE: &str = "https://influx.example:8086";

/// The port that InfluxDB listens on unless told otherwise (its documentation).
const INFLUX_PORT: u16 = 8086;
/// Beside our broker's port and those that are registered; the project's own choice.
const METRICS_DEFAULT: &str = "127.0.0.1:18830";
/// A day of 300 bins with 8 probes each minute in ten minutes, and no burden for a small database beside us: the project's own choice.
const CATCH_UP_PER_SECOND: u32 = 5_000;

/// Reads `influx`.
pub(super) fn influx(top: &Section<'_>, faults: &mut Faults) -> Option<Influx> {
    let section = Section::open(top.optional("influx")?.node, "influx", &INFLUX_KEYS, faults)?;
    let ca_file = section.optional("ca_file").map(|item| item.path(faults));
    let plain = spelled_plain(&section, faults);
    let url = section
        .required("url", &format!("the address, such as `url: \"{INFLUX_EXAMPLE}\"`"), faults)
        .and_then(|item| influx_address(&item, plain, faults));
    if url.is_some_and(|url| url.starts_with("http://")) {
        section.refuse("ca_file", "is for TLS, and http:// has none", "write https:// in `url`, or remove it", faults);
    }
    let mut named = |key: &str, add: &str| {
        section.required(key, add, faults).and_then(|item| item.text(faults)).map(ToOwned::to_owned)
    };
    let organisation =
        named("organisation", "the organisation that the bucket belongs to, such as `organisation: harrow-lane`");
    let bucket = named("bucket", "the bucket, such as `bucket: compost`");
    let token = secret(&section, "token_file", "token_credential", faults);
    if token == Ok(None) {
        faults.add(
            section.at,
            "influx has no token",
            "add `token_file: /etc/hypocaust/influx-token` with a token that may read and write the bucket",
        );
    }
    let rate = match section.optional("catch_up_per_second") {
        Some(item) => item.whole(10..=100_000, "readings a second", faults).and_then(|n| u32::try_from(n).ok()),
        None => Some(CATCH_UP_PER_SECOND),
    };
    let ca_file = match ca_file {
        Some(path) => Some(path?),
        None => None,
    };
    Some(Influx {
        url: url?.trim_end_matches('/').into(),
        ca_file,
        organisation: organisation?,
        bucket: bucket?,
        token: token.ok()??,
        catch_up_per_second: rate?,
    })
}

fn influx_address<'t>(item: &Item<'t>, plain: bool, faults: &mut Faults) -> Option<&'t str> {
    let text = web_address(item, INFLUX_EXAMPLE, faults)?;
    let authority = text.split_once("://").map_or(text, |(_, rest)| rest).trim_end_matches('/');
    let Some((host, _)) = host_and_port(authority, INFLUX_PORT) else {
        faults.add(
            item.node.at,
            format!("{} has more than a host and a port in it", item.label),
            format!("write it like \"{INFLUX_EXAMPLE}\"; organisation and bucket have keys of their own"),
        );
        return None;
    };
    if text.starts_with("http://") && !plain && !is_loopback(&host) {
        faults.add(
            item.node.at,
            format!("{} leaves this machine without encryption, to {host}, and carries the token", item.label),
            "use https://, or write `security: plain` beside it if every wire to that host is your own",
        );
        return None;
    }
    Some(text)
}

/// Reads `metrics`; a group without keys listens on this machine alone.
pub(super) fn metrics(top: &Section<'_>, faults: &mut Faults) -> Option<SocketAddr> {
    let section = Section::open(top.optional("metrics")?.node, "metrics", &METRICS_KEYS, faults)?;
    let plain = spelled_plain(&section, faults);
    let Some(item) = section.optional("listen") else { return METRICS_DEFAULT.parse().ok() };
    let text = item.text(faults)?;
    let Ok(listen) = text.parse::<SocketAddr>() else {
        faults.add(
            item.node.at,
            format!("{} is {}, which is not an address with a port", item.label, item.node.kind.described()),
            format!("write it in quotes like \"{METRICS_DEFAULT}\""),
        );
        return None;
    };
    if !listen.ip().is_loopback() && !plain {
        faults.add(
            item.node.at,
            format!("{} is {listen}, which other machines can read without encryption or a password", item.label),
            format!(
                "listen on \"{METRICS_DEFAULT}\", or write `security: plain` beside it if every wire to it is your own"
            ),
        );
        return None;
    }
    Some(listen)
}

/// Whether the settings say in as many words that a link may go without encryption.
fn spelled_plain(section: &Section<'_>, faults: &mut Faults) -> bool {
    section.optional("security").and_then(|item| item.choice(&[("plain", ())], faults)).is_some()
}
