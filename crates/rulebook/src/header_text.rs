//! Reads the constant `RULE` at the head of a rule's text into a [`Header`], or tells every fault in it at once.
//!
//! Must never run the text: only literals count.

use std::collections::BTreeMap;

use pile::time::Span;
use pile::units::{Celsius, Readable};
use rhai::{ASTFlags, ASTNode, Expr, Position, Stmt};
use site::entry::Stage;
use site::quantity::Unit;

use crate::fault::{RuleFault, Source, did_you_mean};
use crate::header::{Advice, Evidence, Guards, Handling, Header, Scope, Setting, Severity};
use crate::limits;
use crate::settings;

const KEYS: [&str; 26] = [
    "title",
    "deed",
    "watches_for",
    "cause",
    "consequence",
    "response",
    "caution",
    "time_to_respond",
    "severity",
    "every",
    "on_delay",
    "off_delay",
    "max_gap",
    "window",
    "evidence",
    "scope",
    "stages",
    "advises",
    "guards",
    "time_above",
    "ack_required",
    "latching",
    "shelvable",
    "max_shelf",
    "realarm_after",
    "listed_first",
];
const SETTINGS: &str = "settings";
const SETTING_KEYS: [&str; 5] = ["value", "min", "max", "unit", "about"];

const SEVERITIES: [(&str, Severity); 3] =
    [("minor", Severity::Minor), ("major", Severity::Major), ("severe", Severity::Severe)];
const EVIDENCES: [(&str, Evidence); 2] = [("readings", Evidence::Readings), ("clock", Evidence::Clock)];
const GUARDS: [(&str, Guards); 2] = [("fire", Guards::Fire), ("gas", Guards::Gas)];
const ADVICE: [(&str, Advice); 3] = [("water", Advice::Water), ("digging", Advice::Digging), ("air", Advice::Air)];
const SCOPES: [(&str, Scope); 2] = [("bin", Scope::Bin), ("site", Scope::Site)];

/// The header, or its faults in the order of the text.
pub(crate) fn read(source: Source<'_>, ast: &rhai::AST) -> Result<Header, Vec<RuleFault>> {
    let mut reader = Reader { source, faults: Vec::new() };
    let header = reader.header(ast);
    match header {
        Some(header) if reader.faults.is_empty() => Ok(header),
        _ => {
            reader.faults.sort_by_key(|f| (f.line.unwrap_or(0), f.column.unwrap_or(0)));
            Err(reader.faults)
        }
    }
}

/// The keys of every map literal in the text, settings included, with no regard to faults.
pub(crate) fn map_keys(ast: &rhai::AST) -> Vec<String> {
    let mut keys = Vec::new();
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        if let Some(ASTNode::Expr(Expr::Map(map, _))) = path.last() {
            keys.extend(map.0.iter().map(|(key, _)| key.name.to_string()));
        }
        true
    });
    keys
}

struct Reader<'a> {
    source: Source<'a>,
    faults: Vec<RuleFault>,
}

/// One map literal, its values taken out as they are read.
struct Fields<'e> {
    fields: BTreeMap<&'e str, (&'e Expr, Position)>,
    at: Position,
    /// How it is called in messages.
    said: String,
}

impl<'a> Reader<'a> {
    fn fault(&mut self, at: Position, what: impl Into<String>, remedy: impl Into<String>) {
        self.faults.push(self.source.fault(at, what, remedy));
    }

    fn header(&mut self, ast: &rhai::AST) -> Option<Header> {
        let mut rule = None;
        for statement in ast.statements() {
            match statement {
                Stmt::Var(var, flags, _) if flags.contains(ASTFlags::CONSTANT) && var.0.name == "RULE" => {
                    rule = Some(&var.1);
                }
                Stmt::Noop(_) => {}
                // Closures share variables by such statements; there is nothing in the text to point at.
                Stmt::Share(_) => {}
                other => self.fault(
                    other.position(),
                    "only `const RULE` and functions may stand at the outermost level",
                    "move it into `judge`",
                ),
            }
        }
        let Some(rule) = rule else {
            self.fault(
                Position::NONE,
                "there is no `const RULE = #{ ... };`",
                "begin the file with one, as in rules/README.md",
            );
            return None;
        };
        let mut f = self.fields(rule, "RULE", &[KEYS.as_slice(), &[SETTINGS]].concat())?;
        let settings = self.settings(f.take(SETTINGS));
        let time_above = self.time_above(f.take("time_above"), settings.as_ref());
        let title = self.text(&mut f, "title", 60);
        let deed = if f.has("deed") { self.text(&mut f, "deed", limits::DEED_CHARS).map(Some) } else { Some(None) };
        let watches_for = self.text(&mut f, "watches_for", 600);
        let cause = self.text(&mut f, "cause", 1_200);
        let consequence = self.text(&mut f, "consequence", 1_200);
        let response = self.response(&mut f);
        let caution = if f.has("caution") { self.text_or_empty(&mut f, "caution", 1_500) } else { Some(String::new()) };
        let time_to_respond = self.length(&mut f, "time_to_respond", None, Span::minutes(1), Span::days(60));
        let severity = self.choice(&mut f, "severity", None, &SEVERITIES);
        let every = self.length(&mut f, "every", Some(Span::minutes(10)), limits::EVERY_MIN, limits::EVERY_MAX);
        let on_delay = self.length(&mut f, "on_delay", Some(Span::ZERO), Span::ZERO, limits::DELAY_MAX);
        let off_delay = self.length(&mut f, "off_delay", Some(Span::ZERO), Span::ZERO, limits::DELAY_MAX);
        let max_gap = self.length(&mut f, "max_gap", Some(Span::hours(1)), Span::minutes(1), limits::DELAY_MAX);
        let window = self.length(&mut f, "window", None, Span::minutes(1), limits::WINDOW_MAX);
        let evidence = self.choice(&mut f, "evidence", Some(Evidence::Readings), &EVIDENCES);
        let scope = self.choice(&mut f, "scope", Some(Scope::Bin), &SCOPES);
        let at_stages = f.at_key("stages");
        let stages = self.stages(&mut f);
        if scope == Some(Scope::Site) && stages.as_ref().is_some_and(|s| !s.is_empty()) {
            self.fault(
                at_stages,
                "a rule about the whole site has no stages",
                "write `stages: [],` and ask each of `site.bins`",
            );
        }
        let advises = self.advises(f.take("advises"));
        let at_guards = f.at_key("guards");
        let handling = self.handling(&mut f);
        if handling.is_some_and(|handling| handling.guards.is_some()) {
            if stages.as_ref().is_some_and(|s| !s.is_empty()) {
                let what = "a rule that guards people is judged at every stage, and without a batch";
                self.fault(at_stages, what, "write `stages: [],`");
            }
            if handling.is_some_and(|handling| handling.guards == Some(Guards::Fire)) && scope == Some(Scope::Site) {
                let what = "a rule that guards against fire is about one bin: its alarm hides others of that bin";
                self.fault(at_guards, what, "leave `scope` out");
            }
        }
        Some(Header {
            title: title?,
            deed: deed?,
            watches_for: watches_for?,
            cause: cause?,
            consequence: consequence?,
            response: response?,
            caution: caution?,
            time_to_respond: time_to_respond?,
            severity: severity?,
            every: every?,
            on_delay: on_delay?,
            off_delay: off_delay?,
            max_gap: max_gap?,
            window: window?,
            evidence: evidence?,
            scope: scope?,
            stages: stages?,
            advises: advises?,
            time_above: time_above?,
            handling: handling?,
            settings: settings?,
        })
    }

    /// The fields of a map literal; unknown ones are faults.
    fn fields<'e>(&mut self, expr: &'e Expr, said: &str, known: &[&str]) -> Option<Fields<'e>> {
        let Expr::Map(map, at) = expr else {
            self.fault(
                expr.start_position(),
                format!("`{said}` is {}, not a map", kind_of(expr)),
                format!("write `{said}` as `#{{ ... }}`"),
            );
            return None;
        };
        let mut fields = BTreeMap::new();
        for (key, value) in &map.0 {
            if known.contains(&key.name.as_str()) {
                fields.insert(key.name.as_str(), (value, key.pos));
            } else {
                let remedy = match did_you_mean(&key.name, known.iter().copied()) {
                    Some(near) => format!("did you mean `{near}`?"),
                    None => format!("there are {}", known.join(", ")),
                };
                self.fault(key.pos, format!("`{said}` has no key `{}`", key.name), remedy);
            }
        }
        Some(Fields { fields, at: *at, said: said.into() })
    }

    fn required<'e>(&mut self, f: &mut Fields<'e>, key: &str, remedy: &str) -> Option<(&'e Expr, Position)> {
        let found = f.take(key);
        if found.is_none() {
            self.fault(f.at, format!("`{}` lacks `{key}`", f.said), remedy);
        }
        found
    }

    fn text(&mut self, f: &mut Fields<'_>, key: &str, longest: usize) -> Option<String> {
        let at = f.at_key(key);
        let text = self.text_or_empty(f, key, longest)?;
        if text.is_empty() {
            self.fault(at, format!("`{key}` is empty"), "a rule that mails needs it: write a sentence");
            return None;
        }
        Some(text)
    }

    fn text_or_empty(&mut self, f: &mut Fields<'_>, key: &str, longest: usize) -> Option<String> {
        let (expr, _) = self.required(f, key, &format!("add `{key}: \"...\",`"))?;
        self.text_of(expr, key, longest)
    }

    /// A literal text with its line breaks and runs of blanks made into single blanks.
    fn text_of(&mut self, expr: &Expr, key: &str, longest: usize) -> Option<String> {
        let Expr::StringConstant(text, at) = expr else {
            self.fault(
                expr.start_position(),
                format!("`{key}` is {}, not a text", kind_of(expr)),
                "write it between double quotes, or between backticks where it runs over lines",
            );
            return None;
        };
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let letters = text.chars().count();
        if letters > longest {
            self.fault(*at, format!("`{key}` has {letters} characters, more than {longest}"), "shorten it");
            return None;
        }
        Some(text)
    }

    fn response(&mut self, f: &mut Fields<'_>) -> Option<Vec<String>> {
        let (expr, at) = self.required(f, "response", "add `response: [\"first do this\", \"then that\"],`")?;
        let items = self.list(expr, "response")?;
        if items.is_empty() {
            self.fault(at, "`response` is empty", "say what to do; a condition without a response is no alarm");
            return None;
        }
        let read: Vec<Option<String>> = items.iter().map(|item| self.text_of(item, "response", 800)).collect();
        read.into_iter().collect()
    }

    fn list<'e>(&mut self, expr: &'e Expr, key: &str) -> Option<&'e [Expr]> {
        match expr {
            Expr::Array(items, _) => Some(items),
            _ => {
                self.fault(
                    expr.start_position(),
                    format!("`{key}` is {}, not a list", kind_of(expr)),
                    format!("write `{key}: [ ... ]`"),
                );
                None
            }
        }
    }

    fn length(&mut self, f: &mut Fields<'_>, key: &str, default: Option<Span>, min: Span, max: Span) -> Option<Span> {
        const REMEDY: &str = "write a length of time such as \"30 s\", \"10 min\", \"6 h\" or \"2 d\"";
        let found = match (f.take(key), default) {
            (None, Some(default)) => return Some(default),
            (None, None) => {
                self.fault(f.at, format!("`{}` lacks `{key}`", f.said), REMEDY);
                return None;
            }
            (Some((expr, _)), _) => expr,
        };
        let Expr::StringConstant(text, at) = found else {
            self.fault(found.start_position(), format!("`{key}` is {}, not a length of time", kind_of(found)), REMEDY);
            return None;
        };
        match span_of(text) {
            None => {
                self.fault(*at, format!("`{key}`: `{text}` is not a length of time"), REMEDY);
                None
            }
            Some(span) if span < min || span > max => {
                self.fault(*at, format!("`{key}`: {span} is outside {min} to {max}"), "write a length in that range");
                None
            }
            Some(span) => Some(span),
        }
    }

    fn choice<T: Copy>(
        &mut self,
        f: &mut Fields<'_>,
        key: &str,
        default: Option<T>,
        choices: &[(&str, T)],
    ) -> Option<T> {
        let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
        match (f.take(key), default) {
            (None, Some(default)) => Some(default),
            (None, None) => {
                self.fault(f.at, format!("`{}` lacks `{key}`", f.said), format!("write one of {}", words.join(", ")));
                None
            }
            (Some((expr, _)), _) => self.word(expr, key, choices),
        }
    }

    fn word<T: Copy>(&mut self, expr: &Expr, key: &str, choices: &[(&str, T)]) -> Option<T> {
        let text = self.text_of(expr, key, 40)?;
        let found = choices.iter().find(|(word, _)| *word == text).map(|(_, choice)| *choice);
        if found.is_none() {
            let words: Vec<&str> = choices.iter().map(|(word, _)| *word).collect();
            let remedy = match did_you_mean(&text, words.iter().copied()) {
                Some(near) => format!("did you mean `{near}`?"),
                None => format!("write one of {}", words.join(", ")),
            };
            self.fault(expr.start_position(), format!("`{key}` cannot be `{text}`"), remedy);
        }
        found
    }

    fn handling(&mut self, f: &mut Fields<'_>) -> Option<Handling> {
        let usual = Handling::USUAL;
        let acknowledge = self.truth(f, "ack_required", usual.acknowledge);
        let latching = self.truth(f, "latching", usual.latching);
        let guards = match f.take("guards") {
            Some((expr, _)) => Some(self.word(expr, "guards", &GUARDS)?),
            None => None,
        };
        let shelvable = self.truth(f, "shelvable", true);
        let at = f.at_key("max_shelf");
        let limited = f.has("max_shelf");
        let most = if guards.is_some() { limits::GUARD_SHELF_MAX } else { limits::SHELF_MAX };
        let longest = self.length(f, "max_shelf", usual.shelf_longest.map(|l| l.min(most)), Span::minutes(10), most);
        if shelvable == Some(false) && limited {
            self.fault(at, "`max_shelf` limits what `shelvable: false` forbids", "leave one of the two out");
            return None;
        }
        let realarm_after = match f.has("realarm_after") {
            true => Some(self.length(f, "realarm_after", None, Span::minutes(10), limits::DELAY_MAX)?),
            false => None,
        };
        let listed_first = self.truth(f, "listed_first", usual.listed_first);
        Some(Handling {
            listed_first: listed_first?,
            acknowledge: acknowledge?,
            latching: latching?,
            shelf_longest: longest.filter(|_| shelvable == Some(true)),
            realarm_after,
            guards,
        })
    }

    fn truth(&mut self, f: &mut Fields<'_>, key: &str, default: bool) -> Option<bool> {
        match f.take(key) {
            None => Some(default),
            Some((Expr::BoolConstant(truth, _), _)) => Some(*truth),
            Some((expr, _)) => {
                let what = format!("`{key}` is {}, not a yes or no", kind_of(expr));
                self.fault(expr.start_position(), what, format!("write `{key}: true` or `{key}: false`"));
                None
            }
        }
    }

    fn stages(&mut self, f: &mut Fields<'_>) -> Option<Vec<Stage>> {
        let (expr, _) = self.required(
            f,
            "stages",
            "write `stages: [\"on-air\"],`, or `stages: [],` for a rule that is judged without a batch too",
        )?;
        let items = self.list(expr, "stages")?;
        let stages = site::entry::STAGES.map(|(stage, key)| (key, stage));
        let read: Vec<Option<Stage>> = items.iter().map(|item| self.word(item, "stages", &stages)).collect();
        read.into_iter().collect()
    }

    fn advises(&mut self, found: Option<(&Expr, Position)>) -> Option<Vec<Advice>> {
        let Some((expr, _)) = found else { return Some(Vec::new()) };
        let items = self.list(expr, "advises")?;
        let read: Vec<Option<Advice>> = items.iter().map(|item| self.word(item, "advises", &ADVICE)).collect();
        read.into_iter().collect()
    }

    fn time_above(
        &mut self,
        found: Option<(&Expr, Position)>,
        settings: Option<&BTreeMap<String, Setting>>,
    ) -> Option<Vec<String>> {
        let Some((expr, _)) = found else { return Some(Vec::new()) };
        let items = self.list(expr, "time_above")?;
        let mut names = Vec::new();
        for item in items {
            let name = self.text_of(item, "time_above", 40)?;
            match settings.map(|s| s.get(&name)) {
                Some(Some(setting)) if setting.converts == Some(Unit::Celsius) => names.push(name),
                Some(Some(_)) => self.fault(
                    item.start_position(),
                    format!("`time_above`: the setting `{name}` is not a temperature"),
                    "name settings in °C or °F only",
                ),
                Some(None) => self.fault(
                    item.start_position(),
                    format!("`time_above`: there is no setting `{name}`"),
                    "name a temperature among the settings",
                ),
                // The settings have faults of their own, told already.
                None => {}
            }
        }
        Some(names)
    }

    fn settings(&mut self, found: Option<(&Expr, Position)>) -> Option<BTreeMap<String, Setting>> {
        let Some((expr, _)) = found else { return Some(BTreeMap::new()) };
        let Expr::Map(map, _) = expr else {
            self.fault(
                expr.start_position(),
                format!("`settings` is {}, not a map", kind_of(expr)),
                "write `settings: #{ ... }`",
            );
            return None;
        };
        let read: Vec<Option<(String, Setting)>> = map
            .0
            .iter()
            .map(|(name, expr)| self.setting(&name.name, expr).map(|setting| (name.name.to_string(), setting)))
            .collect();
        read.into_iter().collect()
    }

    fn setting(&mut self, name: &str, expr: &Expr) -> Option<Setting> {
        let mut f = self.fields(expr, name, &SETTING_KEYS)?;
        let default_at = f.at_key("value");
        let default = self.number(&mut f, "value");
        let min = self.number(&mut f, "min");
        let max = self.number(&mut f, "max");
        let about = self.text(&mut f, "about", 600);
        let unit_at = f.at_key("unit");
        let unit = self.text(&mut f, "unit", 10)?;
        let (mut default, mut min, mut max) = (default?, min?, max?);
        let mut sign = unit;
        if sign == "°F" {
            // Rules count in °C; whoever reads the value of the setting finds it there.
            (default, min, max) = (celsius(default), celsius(min), celsius(max));
            sign = "°C".into();
        }
        let Some(converts) = settings::unit(&sign) else {
            self.fault(
                unit_at,
                format!("`{sign}` is not a unit of a setting"),
                format!("write one of {}", settings::units().join(", ")),
            );
            return None;
        };
        if !(min <= default && default <= max) {
            self.fault(
                default_at,
                format!("`{name}`: its value {} is outside {} to {}", Readable(default), Readable(min), Readable(max)),
                "write a value between min and max",
            );
            return None;
        }
        Some(Setting { value: default, default, min, max, unit: sign, converts, about: about? })
    }

    fn number(&mut self, f: &mut Fields<'_>, key: &str) -> Option<f64> {
        let (expr, _) = self.required(f, key, &format!("add `{key}: 1.0,`"))?;
        let number = match expr {
            Expr::IntegerConstant(n, _) => Some(*n as f64),
            Expr::FloatConstant(n, _) => Some(**n),
            _ => None,
        };
        match number {
            Some(number) if number.is_finite() => Some(number),
            _ => {
                self.fault(
                    expr.start_position(),
                    format!("`{key}` is {}, not a number", kind_of(expr)),
                    "write a plain number; its unit goes into `unit`",
                );
                None
            }
        }
    }
}

impl<'e> Fields<'e> {
    fn take(&mut self, key: &str) -> Option<(&'e Expr, Position)> {
        self.fields.remove(key)
    }

    fn has(&self, key: &str) -> bool {
        self.fields.contains_key(key)
    }

    fn at_key(&self, key: &str) -> Position {
        self.fields.get(key).map_or(self.at, |(_, at)| *at)
    }
}

fn celsius(fahrenheit: f64) -> f64 {
    Celsius::from_fahrenheit(fahrenheit).0
}

fn kind_of(expr: &Expr) -> &'static str {
    match expr {
        Expr::StringConstant(..) => "a text",
        Expr::InterpolatedString(..) => "a text with `${...}` in it",
        Expr::IntegerConstant(..) | Expr::FloatConstant(..) => "a number",
        Expr::BoolConstant(..) => "true or false",
        Expr::CharConstant(..) => "a single character between single quotes",
        Expr::Array(..) => "a list",
        Expr::Map(..) => "a map",
        _ => "something to be worked out",
    }
}

/// Reads `6 h`, `10 min`, `1 h 30 min`.
pub(crate) fn span_of(text: &str) -> Option<Span> {
    let words: Vec<&str> = text.split_whitespace().collect();
    if words.is_empty() || !words.len().is_multiple_of(2) {
        return None;
    }
    words.chunks(2).try_fold(Span::ZERO, |sum, pair| {
        let number: f64 = pair[0].parse().ok()?;
        let seconds = match pair[1] {
            "s" => 1.0,
            "min" => 60.0,
            "h" => 3_600.0,
            "d" => 86_400.0,
            _ => return None,
        };
        (number.is_finite() && (0.0..1e6).contains(&number)).then(|| sum + Span::from_seconds_f64(number * seconds))
    })
}
