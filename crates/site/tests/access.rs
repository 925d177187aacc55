//! Who may publish and hear what at the broker inside: the table of the annotated example.
//!
//! Must never hold another site than the example: what is proven here is what its comments say.

#![allow(clippy::unwrap_used)]

use std::path::{Path, PathBuf};

use proptest::prelude::*;
use site::access::Access;
use site::model::Site;
use site::settings::read;

fn example() -> String {
    let root: PathBuf = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    std::fs::read_to_string(root.join("config/site.yaml")).unwrap()
}

/// The example with passwords, and with the two users that its comments name.
fn guarded() -> Site {
    let more = "listen: \"127.0.0.1:1883\"\n    password_file: /etc/b\n    users:\n      \
        - { user: panel, publish: [\"hypocaust/harrow-lane/acknowledge\"], subscribe: [\"hypocaust/harrow-lane/#\"] }\n      \
        - { user: crew, publish: [\"hypocaust/harrow-lane/log\"], subscribe: [\"hypocaust/harrow-lane/log/answer\"] }\n      \
        - { user: relay, publish: [\"#\"], subscribe: [\"#\"] }\n      - { user: nothing }";
    read(&example().replace("listen: \"127.0.0.1:1883\"", more), "site.yaml").unwrap()
}

fn open() -> Site {
    read(&example(), "site.yaml").unwrap()
}

const NOBODY: Option<&str> = None;

#[test]
fn each_user_publishes_what_is_its_own() {
    let (guarded, open) = (Access::new(&guarded()), Access::new(&open()));
    let long = format!("yard/north-1/{}", "x".repeat(60_000));
    let deep = "yard/north-1".to_owned() + &"/x".repeat(40);
    for (user, topic, want, why) in [
        ("north-1", "yard/north-1/core/temperature", true, "its own reading"),
        ("north-1", "yard/north-1/pack", true, "its own pack"),
        ("north-1", "yard/north-1/status", true, "what else it has to say, below its own name"),
        ("north-1", "yard/north-2/core/temperature", false, "another bin's"),
        ("north-1", "yard/north-10/core/temperature", false, "a name that begins alike"),
        ("north-1", "yard", false, "above its name"),
        ("north-1", "north-1/core", false, "its name in another place"),
        ("north-1-core", "yard/north-1/core/temperature", true, "a user for each probe"),
        ("north-1-core", "yard/north-1/base/temperature", false, "the probe beside it"),
        ("north-1-core", "yard/north-1/pack", false, "a pack speaks of others too"),
        ("cure-1-core", "cure/1/core", true, "a probe with a topic of its own"),
        ("cure-1-base", "cure/1/core", false, "another one there"),
        ("blower-1", "yard/blower-1/run_time", true, "a blower"),
        ("blower-1", "yard/north-1/core/temperature", false, "which is no probe"),
        ("gateway-1", "yard/gateway-1/status", true, "a gateway"),
        ("temperature", "yard/north-1/core/temperature", false, "a word of the topic is no name"),
        ("yard", "yard/north-1/core/temperature", false, "nor is its beginning"),
        ("hypocaust", "hypocaust/harrow-lane/status", false, "nor the daemon's"),
        ("north-1", "hypocaust/harrow-lane/status", false, "how things stand is the daemon's to say"),
        ("north-1", "hypocaust/harrow-lane/log", false, "the log is for those who are named"),
        ("north-1", "hypocaust/harrow-lane/acknowledge", false, "so are acknowledgements"),
        ("north-1", "yard/sounder", false, "the horn is the daemon's"),
        ("north-1", long.as_str(), false, "60 kB"),
        ("north-1", deep.as_str(), false, "42 levels"),
        ("panel", "hypocaust/harrow-lane/acknowledge", true, "named"),
        ("panel", "hypocaust/harrow-lane/log", false, "not named"),
        ("panel", "hypocaust/harrow-lane/status", false, "nobody's but ours"),
        ("panel", "yard/panel/x", false, "an entry takes the place of what a probe may"),
        ("crew", "hypocaust/harrow-lane/log", true, "named"),
        ("relay", "yard/north-2/core/temperature", true, "everything"),
        ("relay", "hypocaust/harrow-lane/log", true, "everything"),
        ("relay", "hypocaust/harrow-lane/bin/north-1/status", false, "but not what is ours"),
        ("relay", "yard/sounder", false, "nor the horn"),
        ("relay", "$SYS/x", false, "nor what is the broker's"),
        ("nothing", "yard/nothing/x", false, "an empty entry"),
    ] {
        assert_eq!(guarded.may_publish(Some(user), topic), want, "{user} on {:.60}: {why}", topic);
    }
    for (topic, want, why) in [
        ("yard/north-1/core/temperature", true, "whoever is on this machine"),
        ("hypocaust/harrow-lane/log", true, "the token says who it is"),
        ("hypocaust/harrow-lane/status", false, "the daemon's, also here"),
        ("yard/sounder", false, "the daemon's, also here"),
    ] {
        assert_eq!(open.may_publish(NOBODY, topic), want, "without passwords, {topic}: {why}");
        assert!(!guarded.may_publish(NOBODY, topic), "with passwords nobody is nobody");
    }
}

#[test]
fn each_user_hears_what_is_its_own() {
    let (guarded, open) = (Access::new(&guarded()), Access::new(&open()));
    for (user, filter, want, why) in [
        ("north-1", "yard/north-1/#", true, "its own"),
        ("north-1", "yard/north-1/+/set", true, "a part of it"),
        ("north-1", "#", false, "everything"),
        ("north-1", "yard/+/core/temperature", false, "the neighbours too"),
        ("north-1", "yard/#", false, "the neighbours too"),
        ("north-1", "hypocaust/#", false, "how things stand is for those who are named"),
        ("north-1", "$share/g/yard/north-1/#", true, "shared, its own"),
        ("north-1", "$share/g/yard/#", false, "shared, the neighbours too"),
        ("north-1", "$share/g", false, "no filter"),
        ("north-1", "$SYS/#", false, "the broker's"),
        ("panel", "hypocaust/harrow-lane/#", true, "named"),
        ("panel", "hypocaust/harrow-lane/bin/+/status", true, "a part of it"),
        ("panel", "hypocaust/harrow-lane/acknowledge", false, "tokens"),
        ("panel", "hypocaust/harrow-lane/log", false, "tokens"),
        ("panel", "hypocaust/#", false, "more than named"),
        ("crew", "hypocaust/harrow-lane/log/answer", true, "named"),
        ("relay", "#", true, "everything, and no token comes that way"),
        ("relay", "hypocaust/harrow-lane/log", false, "tokens"),
        ("nothing", "yard/nothing/#", false, "an empty entry"),
    ] {
        assert_eq!(guarded.may_subscribe(Some(user), filter), want, "{user} to {filter}: {why}");
    }
    for (filter, want) in
        [("#", true), ("hypocaust/harrow-lane/log", false), ("hypocaust/harrow-lane/log/answer", true)]
    {
        assert_eq!(open.may_subscribe(NOBODY, filter), want, "{filter}");
        assert!(!guarded.may_subscribe(NOBODY, filter));
    }
}

proptest! {
    /// Whatever the topic and the user: nobody but the daemon says how things stand, and nobody hears a topic with tokens by its name.
    #[test]
    fn what_is_the_daemons_stays_its_own(user in "[a-z0-9-]{1,12}", rest in "[a-z0-9/+#$-]{0,40}") {
        let access = Access::new(&guarded());
        let topic = format!("hypocaust/{rest}");
        prop_assert!(!access.may_publish(Some(&user), &topic) || access.carries_tokens(&topic));
        prop_assert!(!access.may_publish(Some("relay"), &topic) || access.carries_tokens(&topic));
        for own in access.token_topics() {
            prop_assert!(!access.may_subscribe(Some("relay"), own));
            prop_assert!(!access.may_publish(Some(&user), own) || ["crew", "panel"].contains(&user.as_str()));
        }
    }
}
