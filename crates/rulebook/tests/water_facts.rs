//! What rules see of the water account, and that nothing is made up where there is none.
//!
//! Must never compare with numbers that the account itself gave: 1,250 kg at 50 % are 625 kg of each.

#![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]

mod built;

use built::{Built, judging, on_air};
use rulebook::Rulebook;
use rulebook::answer::Verdict;
use site::model::{Display, RuleSettings};

fn says(built: Built, body: &str) -> Result<(Verdict, String), String> {
    let (book, faults) = Rulebook::compile(&[judging(body)], &RuleSettings::default(), Display::Metric);
    assert!(faults.is_empty(), "{faults:#?}");
    let facts = built.done();
    let answer = book.judge(&book.rules()[0], &facts).map_err(|fault| fault.to_string())?;
    Ok((answer.verdict, answer.finding))
}

#[test]
fn the_account_answers_in_the_units_of_rules() {
    let built = || on_air("10d").account(50.0);
    for (body, want, why) in [
        ("alarm(`${bin.water.moisture}`)", "50.0 %", "what it stands at"),
        (
            "if bin.water.moisture.low < 50 && bin.water.moisture.high > 50 { return alarm(`in between`); } keep()",
            "in between",
            "a band",
        ),
        ("alarm(`${bin.water.litres_to(55.percent)}`)", "138.9 L", "625 kg × 55/45 less 625 kg"),
        ("alarm(`${bin.water.litres_to(45.percent)}`)", "0.0 L", "wet enough"),
        ("alarm(`${bin.water.minutes_to(55.percent)}`)", "7 min", "138.9 L at 18 L/min"),
        ("alarm(`${bin.water.age}`)", "2 h", "it stands where late readings had their time"),
        ("alarm(`${bin.heat.left}`)", "100.0 %", "nothing has decayed yet"),
        (
            "if bin.water.days_until(45.percent).known { return keep(); } alarm(bin.water.days_until(45.percent).why)",
            "the water balance is too young to have a rate",
            "no rate yet",
        ),
    ] {
        let (verdict, finding) = says(built(), body).unwrap();
        assert_eq!((verdict, finding.as_str()), (Verdict::Alarm, want), "{why}");
    }
}

#[test]
fn without_an_account_everything_is_unknown_and_says_why() {
    for what in ["moisture", "litres_to(55.percent)", "days_until(45.percent)", "age"] {
        let (verdict, _) = says(on_air("10d"), &format!("if bin.water.{what} > 0 {{ return alarm(`x`); }} clear(`y`)"))
            .unwrap_or_else(|fault| {
                // A length of time and a bare number are not compared: the fault comes before the unknown.
                assert!(fault.contains("24.hours"), "{fault}");
                (Verdict::CannotTell, String::new())
            });
        assert_eq!(verdict, Verdict::CannotTell, "{what}: a comparison with the unknown tells nothing");
    }
    let (_, why) = says(on_air("10d"), "alarm(bin.water.moisture.why)").unwrap();
    assert!(why.contains("nobody wrote how the bin was filled"), "{why}");
    let (_, why) = says(on_air("10d"), "alarm(bin.water.minutes_to(55.percent).why)").unwrap();
    assert!(why.contains("hose_l_per_min"), "the remedy is named: {why}");
}

#[test]
fn a_goal_that_is_no_moisture_is_a_fault_with_a_remedy() {
    for goal in ["55", "55.celsius", "99.percent", "`wet`"] {
        let fault =
            says(on_air("10d").account(50.0), &format!("alarm(`${{bin.water.litres_to({goal})}}`)")).unwrap_err();
        assert!(fault.contains("write 55.percent"), "{goal}: {fault}");
    }
}

#[test]
fn there_is_one_dose_and_it_is_said_the_same_everywhere() {
    // 1,250 kg at 35 %: 438 kg of water, 812 kg of solids; to 55 % it lacks 555 L. At 60 °C three kelvin are 43 L, one is 14.
    let dry = || on_air("10d").account(35.0).core("12h:60 0h:60");
    // At 50 % it lacks 139 L, and perhaps nothing: one kelvin is 17 L.
    let unsure = || on_air("10d").account(50.0).core("12h:52 0h:52");
    for (built, body, want, why) in [
        (dry(), "alarm(`${bin.water.dose}`)", "38.0 L", "15 L for each of 2.5 m³"),
        (dry(), "alarm(`${bin.water.dose_minutes}`)", "3 min", "38 L at 18 L/min, rounded up"),
        (dry(), "alarm(bin.water.dose_words)", "38 L (3 min of the hose)", "in words"),
        (dry(), "alarm(bin.water.range)", "about 560 L (260-850 L)", "an estimate has its range"),
        (
            unsure(),
            "alarm(bin.water.dose_words)",
            "20 L (2 min of the hose)",
            "one kelvin where nothing is sure to be lacking",
        ),
        (on_air("10d").account(58.0).core("1h:60 0h:60"), "alarm(bin.water.dose_words)", "a small dose", "wet enough"),
        (
            on_air("10d").account(58.0),
            "if bin.water.dose.known { return keep(); } alarm(bin.water.dose.why)",
            "by the water balance",
            "and why",
        ),
        (
            on_air("10d").core("1h:60 0h:60"),
            "alarm(bin.water.dose_words)",
            "17 L",
            "no account: the usual pile, by a handful",
        ),
    ] {
        let (verdict, finding) = says(built, body).unwrap();
        assert_eq!(verdict, Verdict::Alarm, "{why}");
        assert!(finding.starts_with(want), "{why}: {finding}");
    }
}

#[test]
fn a_hot_run_that_counts_makes_the_dose_smaller_and_says_so() {
    let dose = |built: Built| {
        let (book, faults) =
            Rulebook::compile(&[judging("alarm(`x`).dose(bin.water)")], &RuleSettings::default(), Display::Metric);
        assert!(faults.is_empty(), "{faults:#?}");
        book.judge(&book.rules()[0], &built.done()).unwrap().evidence
    };
    let built = || on_air("10d").account(35.0).core("40h:57 0h:57");
    assert_eq!(
        dose(built()),
        [
            "Water at once: 38 L (3 min of the hose)",
            "By the water balance it lacks about 560 L (260-850 L) to 55 % moisture"
        ]
    );
    let counts = "Water at once: 15 L (1 min of the hose); a hot run counts, and this water may break it";
    assert_eq!(dose(built().hold(55.0, "72h"))[0], counts, "the rule's hold is under way");
    assert_ne!(dose(built().hold(55.0, "24h"))[0], counts, "the rule's hold is done");
    let left = |hours| Some(pile::time::Span::hours(hours));
    let judged = |counted, left| built().judged("us", site::judge::Outcome::Running, (counted, 72.0), None, left);
    assert_eq!(dose(judged(40.0, left(32)))[0], counts, "a criterion's run is under way");
    assert_ne!(dose(judged(40.0, left(72)))[0], counts, "it broke: it begins anew");
    assert_ne!(dose(judged(0.0, left(72)))[0], counts, "it has not begun");
}
