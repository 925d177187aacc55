//! Probes that were moved between bins, and how far off they were found.
//!
//! Must never need a file: settings and log are written here.

#![allow(clippy::unwrap_used, reason = "a test may stop at what it did not expect")]

use pile::time::{Span, Timestamp};
use pile::units::{Celsius, Kelvin, Metres};
use site::entry::{Against, CHECK_ALLOWED, Entry, EntryId, EntryKind, Really};
use site::ids::{BinId, ProbeId};
use site::instruments::Instruments;
use site::model::{Position, Site};

const SETTINGS: &str = "
site: { id: yard, name: Yard, zone: Europe/Dublin, elevation_metres: 10 }
mail: { from: \"a@yard.example\", folder: mail }
topics: [{ topic: \"y/{p}\", payload: number, source: \"{p}\", quantity: temperature, unit: Cel }]
bins:
  - { id: a, volume_m3: 2, probes: [{ id: a-core, position: core, depth_metres: 0.6, every_seconds: 300 }, { id: spare, position: base, every_seconds: 300 }] }
  - { id: b, volume_m3: 2, probes: [{ id: b-core, position: core, every_seconds: 300 }] }
";

fn site() -> Site {
    site::settings::read(SETTINGS, "site.yaml").unwrap()
}

fn at(hours: i64) -> Timestamp {
    Timestamp::from_millis(1_773_014_400_000) + Span::hours(hours)
}

fn probe(name: &str) -> ProbeId {
    ProbeId::new(name).unwrap()
}

fn bin(name: &str) -> BinId {
    BinId::new(name).unwrap()
}

fn entry(id: u64, hours: i64, into: &str, kind: EntryKind) -> Entry {
    Entry { id: EntryId(id), ..Entry::new(at(hours), bin(into), kind, "Ann", "") }
}

fn placed(name: &str, position: Position) -> EntryKind {
    EntryKind::Placed { probe: probe(name), position, depth: None }
}

fn checked(name: &str, showed: f64, truth: f64) -> EntryKind {
    EntryKind::Calibrated {
        probe: probe(name),
        against: Against::Thermometer,
        showed: Celsius(showed),
        truth: Celsius(truth),
        allowed: CHECK_ALLOWED,
        due: Some(at(4_000)),
    }
}

#[test]
fn readings_belong_to_the_bin_that_the_probe_was_in_when_it_measured() {
    let site = site();
    let log = [entry(1, 10, "b", placed("spare", Position::Core)), entry(2, 30, "a", placed("spare", Position::Upper))];
    let all = Instruments::of(&log);
    for (name, from, until, want, why) in [
        ("a", 0, 5, vec![("a-core", "core"), ("spare", "base")], "where the settings have it"),
        ("b", 0, 9, vec![("b-core", "core")], "not there yet"),
        ("b", 0, 12, vec![("b-core", "core"), ("spare", "core")], "there since the tenth hour"),
        ("b", 31, 40, vec![("b-core", "core")], "gone again"),
        ("a", 0, 40, vec![("a-core", "core"), ("spare", "base"), ("spare", "upper")], "there twice, at two places"),
        ("a", 11, 29, vec![("a-core", "core")], "away in between"),
    ] {
        let got = all.in_bin(&site, &bin(name), at(from), at(until));
        let got: Vec<_> = got.iter().map(|(probe, stay)| (probe.as_str(), stay.position.key())).collect();
        assert_eq!(got, want, "bin {name}, hours {from} to {until}: {why}");
    }
    let stays = all.stays(&site, &probe("spare"));
    assert!(stays.windows(2).all(|pair| pair[0].until == pair[1].from), "no time is left out and none is told twice");
}

#[test]
fn the_site_of_a_time_has_each_probe_in_one_bin() {
    let site = site();
    let all = Instruments::of(&[entry(1, 10, "b", placed("spare", Position::Core))]);
    assert_eq!(all.site_at(&site, at(9)), site, "before the entry nothing is different");
    let later = all.site_at(&site, at(10));
    let probes = |name: &str| later.bins[&bin(name)].probes.iter().map(ProbeId::as_str).collect::<Vec<_>>();
    assert_eq!((probes("a"), probes("b")), (vec!["a-core"], vec!["b-core", "spare"]));
    let moved = &later.probes[&probe("spare")];
    assert_eq!((moved.bin.clone(), moved.position), (Some(bin("b")), Position::Core));
    let unknown = Instruments::of(&[entry(1, 10, "b", placed("nobody", Position::Core))]);
    assert_eq!(unknown.site_at(&site, at(20)), site, "a probe that the settings no longer know is nowhere");
}

#[test]
fn a_depth_that_nobody_wrote_stays_that_of_the_settings() {
    let deeper = EntryKind::Placed { probe: probe("a-core"), position: Position::Base, depth: Some(Metres(1.1)) };
    for (kind, want) in [(placed("a-core", Position::Base), 0.6), (deeper, 1.1)] {
        let all = Instruments::of(&[entry(1, 10, "a", kind)]);
        assert_eq!(all.site_at(&site(), at(20)).probes[&probe("a-core")].depth, Some(Metres(want)));
    }
}

#[test]
fn a_check_corrects_from_its_date_on_and_passes_only_within_what_is_allowed() {
    let withdrawn = EntryKind::Corrected { of: EntryId(1), really: None };
    let misread = Really { at: at(10), kind: checked("a-core", 0.2, 0.0) };
    let corrected = EntryKind::Corrected { of: EntryId(1), really: Some(Box::new(misread)) };
    let off = || entry(1, 10, "a", checked("a-core", 2.0, 0.0));
    for (log, hours, correction, passed, why) in [
        (vec![off()], 9, 0.0, vec![false], "not before the check"),
        (vec![off()], 10, -2.0, vec![false], "it showed 2 K too much: failed, and corrected from then on"),
        (vec![off(), entry(2, 20, "a", checked("a-core", 0.5, 0.0))], 30, -0.5, vec![false, true], "the newest holds"),
        (vec![entry(1, 10, "a", checked("a-core", -1.0, 0.0))], 11, 1.0, vec![true], "exactly what is allowed passes"),
        (vec![off(), entry(2, 11, "a", withdrawn)], 12, 0.0, vec![], "it never happened"),
        (vec![off(), entry(2, 11, "a", corrected)], 12, -0.2, vec![true], "it was misread"),
    ] {
        let all = Instruments::of(&log);
        assert_eq!(all.correction(&probe("a-core"), at(hours)), correction, "{why}");
        assert_eq!(all.checks(&probe("a-core")).iter().map(|c| c.passed).collect::<Vec<_>>(), passed, "{why}");
        assert_eq!(all.due(&probe("a-core")).is_some(), !passed.is_empty(), "{why}");
    }
    let kelvin = Instruments::of(&[off()]).all_checks().next().map(|c| c.correction);
    assert_eq!(kelvin, Some(Kelvin(-2.0)));
}
