//! The rule book: rules compiled from their texts, judged over facts.
//!
//! Must never let one rule's fault keep another from running.

use std::sync::{Arc, Mutex, PoisonError, Weak};

use rhai::{AST, ASTNode, CallFnOptions, Dynamic, Engine, EvalAltResult, Expr, Position, Scope, Stmt};
use sha2::{Digest, Sha256};
use site::model::{Display, RuleSettings};

use crate::answer::{Answer, Explained, Verdict};
use crate::bin_view::Bin;
use crate::fact::Unknowable;
use crate::facts::Facts;
use crate::fault::{RuleFault, Source, did_you_mean, innermost, plain_types};
use crate::header::{self, Evidence, Header, Priority};
use crate::judgement::{Judgement, Memo};
use crate::language::{self, Draft, Set};
use crate::meter::{Meter, UsedUp};
use crate::site_view::SiteView;
use crate::{header_text, limits, settings};

/// A rule's file as the caller read it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct RuleText {
    /// The file's name without `.rhai`: the rule's name.
    pub name: String,
    /// The file as faults should address it, such as `rules/temperature-crash.rhai`.
    pub path: String,
    /// What stands in it.
    pub text: String,
}

/// One rule, ready to judge.
#[derive(Clone, Debug)]
pub struct Rule {
    /// Its name.
    pub name: String,
    /// Its file, for messages.
    pub path: String,
    /// The first twelve hexadecimal digits of the SHA-256 of its text.
    pub revision: String,
    /// Its header, with the site's changes in force.
    pub header: Header,
    /// Its urgency.
    pub priority: Priority,
    /// Whether it asks for the other bins: only then are they gathered.
    pub asks_neighbours: bool,
    /// Whether it asks for every bin's own facts: only then are they gathered for a rule about the site.
    pub asks_bins: bool,
    /// Whether it asks for results: only then does a replay judge batches.
    pub asks_results: bool,
    shared: Arc<Header>,
    text: String,
    ast: AST,
}

/// All rules of a site.
pub struct Rulebook {
    engine: Engine,
    rules: Vec<Rule>,
    display: Display,
    /// What the judgement under way costs.
    meter: Arc<Meter>,
    /// Held by the judgement under way: the meter is for one at a time.
    turn: Mutex<()>,
    /// Finds the place of a fault; made when it is first wanted.
    placing: Mutex<Option<(Engine, Arc<Meter>)>>,
    /// What was worked out over the facts judged last. The weak reference keeps their address from being used again.
    memo: Mutex<(Weak<Facts>, Arc<Memo>)>,
}

impl RuleText {
    /// The first twelve hexadecimal digits of the SHA-256 of the text: how alarms name what judged them.
    pub fn revision(&self) -> String {
        let hash = Sha256::digest(self.text.as_bytes());
        hash.iter().take(6).map(|byte| format!("{byte:02x}")).collect()
    }
}

impl Rule {
    /// Its file as it was read.
    pub fn text(&self) -> RuleText {
        RuleText { name: self.name.clone(), path: self.path.clone(), text: self.text.clone() }
    }
}

impl std::fmt::Debug for Rulebook {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Rulebook").field("rules", &self.rules.iter().map(|r| &r.name).collect::<Vec<_>>()).finish()
    }
}

impl Rulebook {
    /// Compiles the texts and applies the site's changes.
    ///
    /// A rule with a fault in its text is left out; one with a fault in a changed setting runs with its own number. The caller
    /// decides whether a book with faults is put to work. `display` is how findings word their values.
    pub fn compile(texts: &[RuleText], changed: &RuleSettings, display: Display) -> (Rulebook, Vec<RuleFault>) {
        let meter: Arc<Meter> = Arc::default();
        let engine = language::engine(&meter);
        let words = language::words(&engine);
        let (mut rules, mut faults): (Vec<Rule>, Vec<RuleFault>) = (vec![], vec![]);
        let mut in_order: Vec<&RuleText> = texts.iter().collect();
        in_order.sort_by(|a, b| (&a.name, &a.path).cmp(&(&b.name, &b.path)));
        if let Some(beyond) = in_order.get(limits::RULES) {
            let source = Source { rule: &beyond.name, path: &beyond.path, text: &beyond.text };
            let what = format!("there are {} rules, more than {}", in_order.len(), limits::RULES);
            faults.push(source.fault(
                Position::NONE,
                what,
                "put rules that belong together into one, or take some out",
            ));
            in_order.truncate(limits::RULES);
        }
        let mut names: Vec<&str> = vec![];
        for text in in_order {
            let source = Source { rule: &text.name, path: &text.path, text: &text.text };
            if names.last() == Some(&text.name.as_str()) {
                let what = format!("there are two rules named `{}`", text.name);
                faults.push(source.fault(Position::NONE, what, "rename one of the files"));
                continue;
            }
            names.push(&text.name);
            let compiled = fence::caught(|| compile_one(&engine, &words, source))
                .unwrap_or_else(|panic| Err(vec![source.panic_fault(&panic, Position::NONE)]));
            match compiled {
                Err(found) => faults.extend(found),
                Ok((mut header, ast)) => {
                    if let Some(changes) = changed.changed.get(&text.name) {
                        settings::apply(&text.name, &mut header.settings, changes, &mut faults);
                    }
                    rules.push(Rule {
                        name: text.name.clone(),
                        path: text.path.clone(),
                        revision: text.revision(),
                        priority: Priority::of(header.severity, header.time_to_respond),
                        asks_neighbours: asks(&ast, "neighbours"),
                        asks_bins: asks(&ast, "bins"),
                        asks_results: asks(&ast, "results") || asks_call(&ast, "result"),
                        shared: Arc::new(header.clone()),
                        header,
                        text: text.text.clone(),
                        ast,
                    });
                }
            }
        }
        settings::changes_of_unknown_rules(changed, &names, &mut faults);
        let memo = Mutex::new((Weak::new(), Arc::default()));
        let (turn, placing) = (Mutex::new(()), Mutex::new(None));
        (Rulebook { engine, rules, display, meter, turn, placing, memo }, faults)
    }

    /// The rules, sorted by name.
    pub fn rules(&self) -> &[Rule] {
        &self.rules
    }

    /// Judges one bin's facts by one rule of this book. The same facts give the same answer.
    ///
    /// # Errors
    /// [`RuleFault`] when the rule fails or answers nonsense. Missing data is no fault: the answer is then [`Verdict::CannotTell`].
    #[expect(clippy::result_large_err, reason = "a fault is rare, and callers keep it by value")]
    pub fn judge(&self, rule: &Rule, facts: &Arc<Facts>) -> Result<Answer, RuleFault> {
        self.judge_counting(rule, facts).0
    }

    /// The same, with what it cost in steps; a panic on the way is a fault of the rule.
    pub fn judge_counting(&self, rule: &Rule, facts: &Arc<Facts>) -> (Result<Answer, RuleFault>, u64) {
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        self.meter.begin();
        // What a panic leaves half done is thrown away with the judgement; the memo holds whole figures only.
        let judged = fence::caught(|| self.answer(rule, facts)).unwrap_or_else(|panic| {
            let source = Source { rule: &rule.name, path: &rule.path, text: &rule.text };
            Err(source.panic_fault(&panic, judge_position(&rule.text)))
        });
        (judged, self.meter.spent())
    }

    fn answer(&self, rule: &Rule, facts: &Arc<Facts>) -> Result<Answer, RuleFault> {
        let source = Source { rule: &rule.name, path: &rule.path, text: &rule.text };
        let judgement = Arc::new(self.judgement(rule, facts, &self.meter));
        let returned = self.run(rule, &judgement);
        let evidence_at = match rule.shared.evidence {
            Evidence::Clock => Some(facts.at),
            Evidence::Readings => judgement.evidence_at(),
        };
        let draft = match returned {
            Ok(value) => {
                let kind = plain_types(self.engine.map_type_name(value.type_name()));
                value.try_cast::<Draft>().ok_or_else(|| {
                    let kind = if kind == "()" { "nothing".into() } else { format!("a {kind}") };
                    source.fault(
                        judge_position(&rule.text),
                        format!("`judge` answered nonsense: {kind}"),
                        "end it with alarm(...), keep(), clear(...) or cannot_tell(...) on every way through",
                    )
                })?
            }
            Err(error) => match innermost(&error).0 {
                EvalAltResult::ErrorTerminated(token, _) if !token.is::<UsedUp>() => {
                    match token.read_lock::<Unknowable>() {
                        Some(why) => Draft {
                            verdict: Verdict::CannotTell,
                            finding: why.0.to_string(),
                            evidence: vec![],
                            figures: vec![],
                            deed: None,
                            graver: false,
                            hides: vec![],
                            line: None,
                        },
                        None => return Err(source.run_fault(&error, self.place_of_fault(rule, facts, &error))),
                    }
                }
                _ => return Err(source.run_fault(&error, self.place_of_fault(rule, facts, &error))),
            },
        };
        let Draft { verdict, finding, deed, evidence, figures, graver, hides, line } = draft;
        Ok(Answer { verdict, finding, deed, evidence, figures, graver, hides, evidence_at, line })
    }

    /// Judges once more, as [`Rulebook::judge`] did, and says what was compared on the way.
    ///
    /// Judging twice costs nothing in the long run: it is wanted only when an alarm changes.
    pub fn explain(&self, rule: &Rule, facts: &Arc<Facts>) -> Explained {
        let _turn = self.turn.lock().unwrap_or_else(PoisonError::into_inner);
        self.meter.begin();
        let judgement = Arc::new(self.judgement(rule, facts, &self.meter).written_down());
        // What it answers is known already.
        let _ = fence::caught(|| self.run(rule, &judgement));
        let settings =
            rule.shared.settings.iter().map(|(name, s)| (name.clone(), judgement.worded(&s.fact()))).collect();
        Explained { compared: judgement.compared(), settings }
    }

    fn judgement(&self, rule: &Rule, facts: &Arc<Facts>, meter: &Arc<Meter>) -> Judgement {
        let (facts, memo) = (Arc::clone(facts), self.memo_of(facts));
        Judgement::new(facts, memo, Arc::clone(&rule.shared), self.display, Arc::clone(meter))
    }

    fn run(&self, rule: &Rule, judgement: &Arc<Judgement>) -> Result<Dynamic, Box<EvalAltResult>> {
        let options = CallFnOptions::new().eval_ast(false).with_tag(Arc::clone(judgement));
        let arguments = (judged(judgement), Set(Arc::clone(&rule.shared)));
        self.engine.call_fn_with_options(options, &mut Scope::new(), &rule.ast, "judge", arguments)
    }

    /// Where a run failed, for errors that do not say so themselves.
    ///
    /// The script engine sets the place of an error about a limit to that of the call, and the call of `judge` has none. So the body
    /// of `judge` is run once more, as statements and not as a function: there the place of the statement stays.
    fn place_of_fault(&self, rule: &Rule, facts: &Arc<Facts>, error: &EvalAltResult) -> Position {
        if !innermost(error).1.is_none() {
            return innermost(error).1;
        }
        let mut placing = self.placing.lock().unwrap_or_else(PoisonError::into_inner);
        let (engine, meter) = placing.get_or_insert_with(|| {
            let meter: Arc<Meter> = Arc::default();
            (language::engine(&meter), meter)
        });
        meter.begin();
        let judgement = Arc::new(self.judgement(rule, facts, meter));
        let mut body = vec![];
        rule.ast.clone_functions_only_filtered(|_, _, _, name, _| name == "judge").walk(&mut |path| {
            if let [ASTNode::Stmt(statement)] = path {
                body.push((*statement).clone());
            }
            true
        });
        let mut scope = Scope::new();
        let functions = rule.ast.shared_lib();
        if let Some((.., judge)) = functions.iter_script_fn_info().find(|(.., f)| f.name == "judge") {
            let arguments = [judged(&judgement), Dynamic::from(Set(Arc::clone(&rule.shared)))];
            for (name, argument) in judge.params.iter().zip(arguments) {
                scope.push_dynamic(name.clone(), argument);
            }
        }
        let statements = AST::new(body, Arc::clone(functions));
        engine.set_default_tag(Dynamic::from(judgement));
        let ran = engine.eval_ast_with_scope::<Dynamic>(&mut scope, &statements);
        engine.set_default_tag(Dynamic::UNIT);
        // What the second run cost is on the bill too.
        self.meter.spend(meter.spent());
        match ran {
            Err(again) if !innermost(&again).1.is_none() => innermost(&again).1,
            _ => judge_position(&rule.text),
        }
    }

    fn memo_of(&self, facts: &Arc<Facts>) -> Arc<Memo> {
        let mut memo = self.memo.lock().unwrap_or_else(PoisonError::into_inner);
        if !std::ptr::eq(memo.0.as_ptr(), Arc::as_ptr(facts)) {
            *memo = (Arc::downgrade(facts), Arc::default());
        }
        Arc::clone(&memo.1)
    }
}

/// What `judge` gets first: a bin, or the site.
fn judged(judgement: &Arc<Judgement>) -> Dynamic {
    match judgement.header.scope {
        header::Scope::Bin => Dynamic::from(Bin(Arc::clone(judgement))),
        header::Scope::Site => Dynamic::from(SiteView::new(Arc::clone(judgement))),
    }
}

/// Where `fn judge` stands: the script engine does not keep it.
fn judge_position(text: &str) -> Position {
    let found = text.lines().zip(1u16..=u16::MAX).find_map(|(line, number)| {
        let column = line.len() - line.trim_start().len() + 1;
        line.trim_start().starts_with("fn judge").then(|| Position::new(number, u16::try_from(column).unwrap_or(1)))
    });
    found.unwrap_or(Position::NONE)
}

fn compile_one(
    engine: &Engine,
    words: &(Vec<String>, Vec<String>),
    source: Source<'_>,
) -> Result<(Header, AST), Vec<RuleFault>> {
    let name_fits = (1..=40).contains(&source.rule.len())
        && source.rule.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-');
    if !name_fits {
        return Err(vec![source.fault(
            Position::NONE,
            format!("`{}` cannot be a rule's name", source.rule),
            "name the file with 1 to 40 small letters, digits and `-`, such as temperature-crash.rhai",
        )]);
    }
    if source.text.len() > limits::RULE_BYTES {
        return Err(vec![source.fault(
            Position::NONE,
            format!("the file has {} bytes, more than {}", source.text.len(), limits::RULE_BYTES),
            "make two rules of it",
        )]);
    }
    let ast = engine.compile(source.text).map_err(|error| vec![source.parse_fault(&error)])?;
    let mut faults = vec![];
    if !ast.iter_functions().any(|f| f.name == "judge" && f.params.len() == 2) {
        faults.push(source.fault(
            Position::NONE,
            "there is no function `judge` with two parameters",
            "add `fn judge(bin, set) { ... }`",
        ));
    }
    faults.extend(unknown_words(&ast, words, source));
    match header_text::read(source, &ast) {
        Ok(header) if faults.is_empty() => Ok((header, ast)),
        Ok(_) => Err(faults),
        Err(found) => Err(found.into_iter().chain(faults).collect()),
    }
}

/// Whether the text takes this property of anything.
fn asks(ast: &AST, property: &str) -> bool {
    let mut found = false;
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        if let Some(ASTNode::Expr(Expr::Property(asked, _))) = path.last() {
            found |= asked.2 == property;
        }
        !found
    });
    found
}

fn asks_call(ast: &AST, function: &str) -> bool {
    let mut found = false;
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        if let Some(ASTNode::Expr(Expr::MethodCall(call, _))) = path.last() {
            found |= call.name == function;
        }
        !found
    });
    found
}

/// Functions and properties that nothing offers: told when the rule is read, not at night when that line is first reached.
fn unknown_words(
    ast: &AST,
    (functions, properties): &(Vec<String>, Vec<String>),
    source: Source<'_>,
) -> Vec<RuleFault> {
    let own: Vec<String> = ast.iter_functions().map(|f| f.name.to_owned()).collect();
    let keys = header_text::map_keys(ast);
    let mut faults: Vec<RuleFault> = vec![];
    ast.walk(&mut |path: &[ASTNode<'_>]| {
        let called = match path.last() {
            Some(ASTNode::Expr(Expr::FnCall(call, at) | Expr::MethodCall(call, at))) => Some((call, *at)),
            Some(ASTNode::Stmt(Stmt::FnCall(call, at))) => Some((call, *at)),
            _ => None,
        };
        let (what, word, at, known): (&str, &str, Position, Vec<&str>) = match (called, path.last()) {
            (Some((call, at)), _) if !call.is_operator_call() => {
                ("function", &call.name, at, functions.iter().chain(&own).map(String::as_str).collect())
            }
            (_, Some(ASTNode::Expr(Expr::Property(property, at)))) => {
                ("property", &property.2, *at, properties.iter().chain(&keys).map(String::as_str).collect())
            }
            _ => return true,
        };
        if !known.contains(&word) {
            let remedy = match did_you_mean(word, known) {
                Some(near) => format!("did you mean `{near}`?"),
                None => "rules/README.md lists what a rule may use".into(),
            };
            let fault = source.fault(at, format!("there is no {what} `{word}`"), remedy);
            if !faults.contains(&fault) {
                faults.push(fault);
            }
        }
        true
    });
    faults.sort_by_key(|f| (f.line.unwrap_or(0), f.column.unwrap_or(0)));
    faults
}

#[cfg(test)]
mod tests {
    use pile::time::{Span, Timestamp};
    use pile::units::CubicMetres;
    use rhai::INT;
    use site::ids::BinId;
    use site::zone::Zone;

    use super::*;
    use crate::facts::WaterFacts;

    fn facts() -> Arc<Facts> {
        Arc::new(Facts {
            bin: BinId::new("b1").unwrap(),
            at: Timestamp::from_millis(1_773_100_800_000),
            display: Display::Metric,
            zone: Zone::named("UTC").unwrap(),
            signals: vec![],
            batch: None,
            results: Arc::default(),
            entries: Arc::default(),
            blower: None,
            probes_out: Arc::default(),
            neighbours: Arc::default(),
            watching: Span::days(1),
            fire: false,
            height: None,
            water: WaterFacts { volume: CubicMetres(2.5), hose: None, hold: None, account: Err("none is kept".into()) },
            whole: None,
        })
    }

    fn text(name: &str, body: &str) -> RuleText {
        let head = "const RULE = #{ title: \"T\", watches_for: \"w\", cause: \"c\", consequence: \"q\", response: [\"r\"], \
                    time_to_respond: \"6 h\", severity: \"major\", window: \"2 d\", stages: [], settings: #{} };";
        let text = format!("{head}\nfn judge(bin, set) {{\n{body}\n}}\n");
        RuleText { name: name.into(), path: format!("rules/{name}.rhai"), text }
    }

    #[test]
    fn a_panic_in_a_word_is_a_fault_of_its_rule_and_the_others_are_judged() {
        let texts = [text("odd", "let x = max(1, 2); keep()"), text("plain", "keep(\"all is well\")")];
        let (mut book, faults) = Rulebook::compile(&texts, &RuleSettings::default(), Display::Metric);
        assert_eq!(faults, vec![]);
        book.engine.register_fn("max", |_: INT, _: INT| -> INT { panic!("the odd one") });
        for _ in 0..2 {
            let fault = book.judge(&book.rules()[0], &facts()).unwrap_err();
            assert!(fault.rests, "it is not tried at every tick");
            let told = "rules/odd.rhai:2:1: a fault of hypocaust itself (the odd one); please report it with this rule";
            assert!(fault.to_string().starts_with(told), "{fault}");
            let answer = book.judge(&book.rules()[1], &facts()).unwrap();
            assert_eq!(answer.finding, "all is well");
        }
        let explained = book.explain(&book.rules()[0], &facts());
        assert!(explained.compared.is_empty(), "nor does it end whoever asks why");
    }

    #[test]
    fn what_a_judgement_costs_does_not_depend_on_the_one_before() {
        let texts = [text("cheap", "keep()"), text("dear", "for i in 0..1000 { i + 1; } keep()")];
        let (book, faults) = Rulebook::compile(&texts, &RuleSettings::default(), Display::Metric);
        assert_eq!(faults, vec![]);
        let cost = |n: usize| book.judge_counting(&book.rules()[n], &facts()).1;
        let (cheap, dear) = (cost(0), cost(1));
        assert!((1..100).contains(&cheap) && dear > 3_000, "{cheap}, {dear}");
        assert_eq!((cost(1), cost(0), cost(0), cost(1)), (dear, cheap, cheap, dear));
    }
}
