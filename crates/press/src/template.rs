//! Runs a template and gives the elements that it asks for.
//!
//! Must never let a template reach a file, a clock, another script or endless work, nor take a word of a style that does not exist.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use rhai::packages::{
    ArithmeticPackage, BasicArrayPackage, BasicIteratorPackage, BasicMapPackage, BasicMathPackage, BasicStringPackage,
    LogicPackage, MoreStringPackage, Package,
};
use rhai::{
    Array, Dynamic, Engine, EvalAltResult, ImmutableString, Map, NativeCallContext, OptimizationLevel, Position, Scope,
};
use serde_json::Value;

use crate::element::{
    Columns, Element, Frame, Gaps, Lines, List, Look, Marks, Node, Number, Page, Part, Picture, Role, Sheet, Sides,
    Table, Text,
};
use crate::fault::{Fault, Place, PressError};
use crate::limits::{
    CALLS_MAX, COPIED_A_STEP, DEPTH_MAX, ELEMENTS_MAX, LETTERS_MAX, MEMBERS_MAX, NESTED_MAX, PICTURES_MAX, STEPS_MAX,
    TEMPLATE_BYTES, TEXT_MAX,
};
use crate::style::{Style, Trouble, said};
use crate::{Job, Template};

/// A line of a message is cut here, in characters.
const LINE_LONGEST: usize = 120;
/// Words of the language that a template has no use for. `try` could go on and on after what ought to end it.
const DISABLED: [&str; 11] =
    ["try", "catch", "eval", "print", "debug", "import", "export", "Fn", "call", "curry", "type_of"];

/// What `job` asks for with its data, which is fit to be set already.
pub(crate) fn sheet(job: &Job<'_>, data: Value) -> Result<Sheet, PressError> {
    let engine = engine();
    let refused = |error: Box<EvalAltResult>| PressError::Refused { faults: vec![fault(&job.template, error)] };
    // Some editors begin a file with a mark of their own.
    let text = job.template.text.strip_prefix('\u{feff}').unwrap_or(job.template.text);
    if text.len() > TEMPLATE_BYTES {
        let message =
            format!("{}: it has {} bytes, and a template may have {TEMPLATE_BYTES}", job.template.name, text.len());
        let remedies = vec!["take out what is not needed".to_owned()];
        return Err(PressError::Refused { faults: vec![Fault { place: None, message, remedies }] });
    }
    let mut scope = Scope::new();
    scope.push_constant("doc", dynamic(data));
    let script = engine.compile_with_scope(&scope, text).map_err(|error| refused(error.into()))?;
    let given: Dynamic = engine.eval_ast_with_scope(&mut scope, &script).map_err(refused)?;
    let kind = given.type_name();
    given.try_cast::<Sheet>().ok_or_else(|| PressError::Refused {
        faults: vec![Fault {
            place: None,
            message: format!(
                "{}: the last line of a template gives the document, but this one gives {kind}",
                job.template.name
            ),
            remedies: vec!["end it with document(#{ … }, […]), as the one that ships does".to_owned()],
        }],
    })
}

fn engine() -> Engine {
    let mut engine = Engine::new_raw();
    // The optimizer would copy the whole document to every place that names it.
    engine.set_optimization_level(OptimizationLevel::None);
    engine.set_strict_variables(true);
    engine.set_fail_on_invalid_map_property(true);
    count_steps(&mut engine);
    engine.set_max_call_levels(CALLS_MAX);
    engine.set_max_expr_depths(NESTED_MAX, NESTED_MAX);
    engine.set_max_string_size(TEXT_MAX);
    engine.set_max_array_size(MEMBERS_MAX);
    engine.set_max_map_size(MEMBERS_MAX);
    engine.set_max_modules(0);
    for word in DISABLED {
        engine.disable_symbol(word);
    }
    ArithmeticPackage::new().register_into_engine(&mut engine);
    BasicArrayPackage::new().register_into_engine(&mut engine);
    BasicIteratorPackage::new().register_into_engine(&mut engine);
    BasicMapPackage::new().register_into_engine(&mut engine);
    BasicMathPackage::new().register_into_engine(&mut engine);
    BasicStringPackage::new().register_into_engine(&mut engine);
    LogicPackage::new().register_into_engine(&mut engine);
    MoreStringPackage::new().register_into_engine(&mut engine);
    grown(&mut engine);
    engine.register_type_with_name::<Element>("element");
    engine.register_type_with_name::<Part>("part");
    engine.register_type_with_name::<Sheet>("document");
    words(&mut engine);
    texts(&mut engine);
    blocks(&mut engine);
    engine
}

/// The token by which a template that took all its steps is known.
#[derive(Clone, Copy, Debug)]
struct UsedUp;

/// Counts every step once, wherever it is taken. The script engine's own count does not go on inside the closures that are handed to
/// `map`, `filter`, `sort` and their kin: each of them begins with the count of its call, and what it took is forgotten.
fn count_steps(engine: &mut Engine) {
    let taken = Arc::new(AtomicU64::new(0));
    let copied = Arc::clone(&taken);
    engine.on_progress(move |_| (taken.fetch_add(1, Relaxed) >= STEPS_MAX).then(|| Dynamic::from(UsedUp)));
    #[expect(deprecated, reason = "the mark says that it may change with a version, not that it goes")]
    engine.on_var(move |name, _, context| {
        // Naming a variable copies it, and an array or the document may be long.
        let words = context.scope().get(name).map_or(0, |value| size(value, 0));
        copied.fetch_add(words / COPIED_A_STEP, Relaxed);
        Ok(None)
    });
}

/// How much there is to copy in a value.
fn size(value: &Dynamic, depth: usize) -> u64 {
    // Deeper than this no value may become; the script engine says so with a place.
    if depth > 2 * DEPTH_MAX {
        return 0;
    }
    if let Some(all) = value.read_lock::<Array>() {
        return all.iter().fold(1, |sum, one| sum + size(one, depth + 1));
    }
    if let Some(map) = value.read_lock::<Map>() {
        return map.values().fold(1, |sum, one| sum + 4 + size(one, depth + 1));
    }
    if let Some(text) = value.read_lock::<ImmutableString>() {
        return 2 + text.len() as u64 / 64;
    }
    1
}

/// Words that make a long text out of a short one, refused before it is made.
fn grown(engine: &mut Engine) {
    fn replaced(at: Position, text: &mut ImmutableString, find: &str, by: &str) -> Result<(), Trouble> {
        if find.is_empty() {
            return Err(said(at, "nothing cannot be replaced", "say which letters `replace` is to look for"));
        }
        let found = text.matches(find).count();
        let length = (text.len() - found * find.len()).saturating_add(found.saturating_mul(by.len()));
        if length > TEXT_MAX {
            let message = format!("a text would become {length} bytes long, and may be {TEXT_MAX}");
            return Err(said(at, &message, "replace by less, or in shorter texts"));
        }
        *text = text.replace(find, by).into();
        Ok(())
    }
    engine.register_fn("replace", |ctx: NativeCallContext<'_>, text: &mut ImmutableString, find: &str, by: &str| {
        replaced(ctx.call_position(), text, find, by)
    });
    engine.register_fn("replace", |ctx: NativeCallContext<'_>, text: &mut ImmutableString, find: char, by: &str| {
        replaced(ctx.call_position(), text, find.encode_utf8(&mut [0; 4]), by)
    });
}

/// Lengths, lines and parts of a text.
fn words(engine: &mut Engine) {
    engine.register_fn("mm", |length: f64| length * 72.0 / 25.4);
    engine.register_fn("mm", |length: i64| length as f64 * 72.0 / 25.4);
    engine.register_fn("line", |ctx: NativeCallContext<'_>, thick: Dynamic| crate::style::line(&ctx, &thick, 0.0));
    engine.register_fn("line", |ctx: NativeCallContext<'_>, thick: Dynamic, grey: Dynamic| {
        let at = ctx.call_position();
        let grey = crate::style::number(&grey)
            .ok_or_else(|| said(at, "the grey of a line is a number", "0 is black, 100 is white"))?;
        crate::style::line(&ctx, &thick, grey)
    });
    engine.register_fn("part", |ctx: NativeCallContext<'_>, words: Dynamic, look: Map| -> Result<Part, Trouble> {
        let mut style = Style::of("part", look, ctx.call_position());
        let outer = style.look()?;
        style.done()?;
        let mut parts = parts(&words, ctx.call_position())?;
        let mut one = parts.pop().filter(|_| parts.is_empty()).ok_or_else(|| {
            said(ctx.call_position(), "a part is of one text only", "put the parts beside each other in text([…])")
        })?;
        one.look = one.look.within(outer);
        Ok(one)
    });
    let number = |number: Number| Part { number: Some(number), ..Part::plain("") };
    engine.register_fn("page_number", move || number(Number::Page));
    engine.register_fn("page_count", move || number(Number::Pages));
}

fn texts(engine: &mut Engine) {
    for (name, role) in [("text", Role::Paragraph), ("title", Role::Title)] {
        engine.register_fn(name, move |ctx: NativeCallContext<'_>, words: Dynamic| {
            text(name, role, &words, Map::new(), ctx.call_position())
        });
        engine.register_fn(name, move |ctx: NativeCallContext<'_>, words: Dynamic, style: Map| {
            text(name, role, &words, style, ctx.call_position())
        });
    }
    engine.register_fn("heading", |ctx: NativeCallContext<'_>, level: i64, words: Dynamic, style: Map| {
        let at = ctx.call_position();
        let level = u8::try_from(level).ok().filter(|level| (1..=6).contains(level));
        let level = level.ok_or_else(|| said(at, "the level of a heading is 1 to 6", "1 is a part of the document"))?;
        text("heading", Role::Heading(level), &words, style, at)
    });
}

fn blocks(engine: &mut Engine) {
    engine.register_fn(
        "frame",
        |ctx: NativeCallContext<'_>, inside: Dynamic, style: Map| -> Result<Element, Trouble> {
            let at = ctx.call_position();
            let mut style = Style::of("frame", style, at);
            let frame = Frame {
                inside: elements(inside, at)?,
                look: style.look()?,
                gaps: style.gaps()?,
                inset: style.inset("inset")?,
                edges: style.edges("edges")?,
                together: style.flag("together")?.unwrap_or(false),
                height: style.length("height")?,
            };
            style.done()?;
            element(Node::Frame(frame), at)
        },
    );
    engine.register_fn("columns", |ctx: NativeCallContext<'_>, widths: Array, inside: Array, style: Map| {
        columns(widths, inside, style, ctx.call_position())
    });
    engine.register_fn("table", |ctx: NativeCallContext<'_>, columns: Array, rows: Array, style: Map| {
        table(columns, rows, style, ctx.call_position())
    });
    engine.register_fn(
        "list",
        |ctx: NativeCallContext<'_>, marks: &str, items: Array, style: Map| -> Result<Element, Trouble> {
            let at = ctx.call_position();
            let marks = match marks {
                "bullets" => Marks::Bullets,
                "numbers" => Marks::Numbers,
                "boxes" => Marks::Boxes,
                other => {
                    return Err(said(
                        at,
                        &format!("a list has no marks `{other}`"),
                        "there are bullets, numbers and boxes",
                    ));
                }
            };
            let mut style = Style::of("list", style, at);
            let list = List {
                marks,
                items: items.into_iter().map(|item| elements(item, at)).collect::<Result<_, _>>()?,
                between: style.length("between")?.unwrap_or(6.0),
                look: style.look()?,
                gaps: style.gaps()?,
            };
            style.done()?;
            element(Node::List(list), at)
        },
    );
    engine.register_fn(
        "picture",
        |ctx: NativeCallContext<'_>, name: &str, says: &str, style: Map| -> Result<Element, Trouble> {
            let at = ctx.call_position();
            if says.trim().is_empty() {
                return Err(said(
                    at,
                    &format!("the picture `{name}` says nothing to people who cannot see it"),
                    "give what it shows as the second argument; a document that cannot be heard is no PDF/UA",
                ));
            }
            let mut style = Style::of("picture", style, at);
            let picture = Picture {
                name: name.to_owned(),
                says: says.to_owned(),
                highest: style.share("highest")?.unwrap_or(1.0),
                caption: style.element("caption")?,
                gaps: style.gaps()?,
            };
            style.done()?;
            element(Node::Picture(picture), at)
        },
    );
    engine.register_fn("lines", |ctx: NativeCallContext<'_>, words: &str, style: Map| -> Result<Element, Trouble> {
        let at = ctx.call_position();
        let mut style = Style::of("lines", style, at);
        let lines = Lines {
            words: words.to_owned(),
            look: style.look()?,
            shrink_up_to: style.count("shrink_up_to")?.unwrap_or(0),
            leading: style.length("leading")?.unwrap_or(0.5),
            gaps: style.gaps()?,
        };
        style.done()?;
        element(Node::Lines(lines), at)
    });
    engine.register_fn("new_page", |ctx: NativeCallContext<'_>| element(Node::NewPage, ctx.call_position()));
    engine.register_fn("document", |ctx: NativeCallContext<'_>, page: Map, body: Dynamic| -> Result<Sheet, Trouble> {
        let at = ctx.call_position();
        let mut style = Style::of("document", page, at);
        let (width, height) = style.paper()?;
        let margins = style.inset("margins")?;
        let page = Page {
            width,
            height,
            margins,
            first_head: style.elements("first_head")?,
            head: style.elements("head")?,
            foot: style.elements("foot")?,
            head_gap: style.length("head_gap")?.unwrap_or(0.0),
            foot_gap: style.length("foot_gap")?.unwrap_or(0.0),
            look: style.look()?,
            author: style.take("author").map(|author| author.to_string()),
        };
        style.done()?;
        if width - margins.left - margins.right < 72.0 || height - margins.top - margins.bottom < 72.0 {
            return Err(said(
                at,
                "the margins leave less than an inch for the text",
                "make them smaller; mm(20) is usual",
            ));
        }
        let body = elements(body, at)?;
        // Elements side by side are bounded only where something holds them: here it is the document itself.
        let whole = Frame {
            inside: body,
            look: Look::default(),
            gaps: Gaps::default(),
            inset: Sides::default(),
            edges: Sides::default(),
            together: false,
            height: None,
        };
        let whole = element(Node::Frame(whole), at)?;
        let Node::Frame(Frame { inside: body, .. }) = Arc::unwrap_or_clone(whole.node) else {
            return Err(said(at, "the document holds no elements", "please report it, with the template"));
        };
        Ok(Sheet { at, page, body })
    });
}

fn element(node: Node, at: Position) -> Result<Element, Trouble> {
    let inside = node.inside();
    let depth = inside.iter().map(|element| element.depth).max().unwrap_or(0) + 1;
    let count = inside.iter().fold(1_usize, |count, element| count.saturating_add(element.count));
    if depth > DEPTH_MAX {
        let message = format!("more than {DEPTH_MAX} elements stand in each other");
        return Err(said(at, &message, "look for a loop that puts a frame around itself"));
    }
    if count > ELEMENTS_MAX {
        let message = format!("there are more than {ELEMENTS_MAX} elements");
        return Err(said(at, &message, "look for a loop that doubles what it sets"));
    }
    let sum = |of: fn(&Element) -> usize, own| inside.iter().fold(own, |sum: usize, one| sum.saturating_add(of(one)));
    let letters = sum(|one| one.letters, node.letters());
    let pictures = sum(|one| one.pictures, usize::from(matches!(node, Node::Picture(_))));
    if letters > LETTERS_MAX {
        let message = format!("the texts are longer than {LETTERS_MAX} bytes together");
        return Err(said(
            at,
            &message,
            "set less, or in several documents; look for a loop that sets a text again and again",
        ));
    }
    if pictures > PICTURES_MAX {
        let message = format!("there are more than {PICTURES_MAX} pictures");
        return Err(said(at, &message, "look for a loop that sets a picture again and again"));
    }
    Ok(Element { node: Arc::new(node), at, depth, count, letters, pictures })
}

fn text(name: &'static str, role: Role, words: &Dynamic, style: Map, at: Position) -> Result<Element, Trouble> {
    let mut style = Style::of(name, style, at);
    let text = Text {
        role,
        parts: parts(words, at)?,
        look: style.look()?,
        align: style.side("align")?,
        leading: style.length("leading")?.unwrap_or(0.62),
        gaps: style.gaps()?,
        with_next: style.flag("with_next")?.unwrap_or(matches!(role, Role::Heading(_))),
    };
    style.done()?;
    element(Node::Text(text), at)
}

fn columns(widths: Array, inside: Array, style: Map, at: Position) -> Result<Element, Trouble> {
    let mut style = Style::of("columns", style, at);
    if widths.len() != inside.len() {
        let remedy = "give as many of the one as of the other";
        return Err(said(at, &format!("there are {} widths for {} columns", widths.len(), inside.len()), remedy));
    }
    let columns = Columns {
        widths: widths.iter().map(|width| style.width(width, None)).collect::<Result<_, _>>()?,
        gap: style.length("gap")?.unwrap_or(0.0),
        inside: inside.into_iter().map(|one| elements(one, at)).collect::<Result<_, _>>()?,
        gaps: style.gaps()?,
        look: style.look()?,
    };
    style.done()?;
    element(Node::Columns(columns), at)
}

fn table(columns: Array, rows: Array, style: Map, at: Position) -> Result<Element, Trouble> {
    let mut style = Style::of("table", style, at);
    let columns = columns.into_iter().map(|one| style.column(one)).collect::<Result<Vec<_>, _>>()?;
    if columns.is_empty() {
        return Err(said(at, "a table has at least one column", "leave the table out, or give it a column"));
    }
    let row = |row: Dynamic| -> Result<Vec<Vec<Element>>, Trouble> {
        let cells = row.into_typed_array::<Dynamic>().map_err(|kind| {
            said(at, &format!("a row of a table is an array of cells, not {kind}"), "write [[…, …], […, …]]")
        })?;
        // Cells beyond the heads are not set.
        let mut cells: Vec<_> =
            cells.into_iter().take(columns.len()).map(|cell| elements(cell, at)).collect::<Result<_, _>>()?;
        cells.resize(columns.len(), Vec::new());
        Ok(cells)
    };
    let rows = rows.into_iter().map(row).collect::<Result<_, _>>()?;
    let table = Table {
        columns,
        rows,
        named_rows: style.flag("named_rows")?.unwrap_or(false),
        caption: style.element("caption")?,
        rules: style.rules()?,
        inset: style.inset("inset")?,
        outer: style.length("outer")?.unwrap_or(0.0),
        look: style.look()?,
        gaps: style.gaps()?,
    };
    style.done()?;
    element(Node::Table(table), at)
}

/// The elements of a value: an element, words, an array of both, or nothing.
pub(crate) fn elements(value: Dynamic, at: Position) -> Result<Vec<Element>, Trouble> {
    elements_within(value, at, 0)
}

/// An array that stands in so many others is a loop gone wrong.
fn nested(depth: usize, at: Position) -> Result<(), Trouble> {
    if depth <= DEPTH_MAX {
        return Ok(());
    }
    let message = format!("more than {DEPTH_MAX} arrays stand in each other");
    Err(said(at, &message, "look for a loop that puts an array around itself"))
}

fn elements_within(value: Dynamic, at: Position, depth: usize) -> Result<Vec<Element>, Trouble> {
    nested(depth, at)?;
    if value.is_unit() {
        return Ok(Vec::new());
    }
    if value.is_array() {
        let mut all = Vec::new();
        for one in value.into_array().unwrap_or_default() {
            all.extend(elements_within(one, at, depth + 1)?);
        }
        return Ok(all);
    }
    if value.is::<Element>() {
        return Ok(value.try_cast::<Element>().into_iter().collect());
    }
    Ok(vec![text("text", Role::Paragraph, &value, Map::new(), at)?])
}

/// The words of a value: a text, a part, a map of a text with its weight as cells of the document are, or an array of these.
fn parts(value: &Dynamic, at: Position) -> Result<Vec<Part>, Trouble> {
    parts_within(value, at, 0)
}

fn parts_within(value: &Dynamic, at: Position, depth: usize) -> Result<Vec<Part>, Trouble> {
    nested(depth, at)?;
    if let Some(part) = value.read_lock::<Part>() {
        return Ok(vec![part.clone()]);
    }
    if let Some(words) = value.read_lock::<ImmutableString>() {
        return Ok(vec![Part::plain(words.clone())]);
    }
    if let Some(all) = value.read_lock::<Array>() {
        let each = all.iter().map(|one| parts_within(one, at, depth + 1)).collect::<Result<Vec<_>, _>>()?;
        return Ok(each.into_iter().flatten().collect());
    }
    if let Some(cell) = value.read_lock::<Map>().filter(|map| map.contains_key("text")) {
        let mut style = Style::of("cell", cell.clone(), at);
        let words = style.take("text").and_then(|text| text.into_immutable_string().ok());
        let words = words.ok_or_else(|| said(at, "the text of a cell is no text", "put it in quotes"))?;
        let look = style.look()?;
        style.done()?;
        return Ok(vec![Part { look, ..Part::plain(words) }]);
    }
    if value.is_int() || value.is_float() {
        return Ok(vec![Part::plain(value.to_string())]);
    }
    let remedy = "give a text in quotes, part(…), or an array of these";
    Err(said(at, &format!("{} is nothing that can be set", value.type_name()), remedy))
}

/// The data as a template sees it.
fn dynamic(value: Value) -> Dynamic {
    match value {
        Value::Null => Dynamic::UNIT,
        Value::Bool(flag) => flag.into(),
        Value::Number(number) => {
            number.as_i64().map_or_else(|| number.as_f64().unwrap_or(f64::NAN).into(), Dynamic::from)
        }
        Value::String(text) => text.into(),
        Value::Array(values) => Dynamic::from_array(values.into_iter().map(dynamic).collect()),
        Value::Object(map) => {
            Dynamic::from_map(map.into_iter().map(|(key, value)| (key.as_str().into(), dynamic(value))).collect())
        }
    }
}

/// What the script engine says, with its place in the words of the caller.
fn fault(template: &Template<'_>, error: Box<EvalAltResult>) -> Fault {
    let mut at = Position::NONE;
    let mut inner = error;
    // The innermost place is where it went wrong.
    let inner = loop {
        if !inner.position().is_none() {
            at = inner.position();
        }
        inner = match *inner {
            EvalAltResult::ErrorInFunctionCall(_, _, deeper, _) => deeper,
            other => break other,
        };
    };
    let (message, remedies) = match inner {
        EvalAltResult::ErrorRuntime(value, _) if value.is::<Fault>() => {
            let told = value.cast::<Fault>();
            (told.message, told.remedies)
        }
        // What the template itself threw.
        EvalAltResult::ErrorRuntime(value, _) => (value.to_string(), Vec::new()),
        EvalAltResult::ErrorTooManyOperations(_) | EvalAltResult::ErrorTerminated(..) => (
            format!("after {STEPS_MAX} steps it is still not done"),
            vec!["look for a loop or a closure that never ends".to_owned()],
        ),
        EvalAltResult::ErrorStackOverflow(_) => (
            format!("functions call each other more than {CALLS_MAX} deep"),
            vec!["look for a function that calls itself without end".to_owned()],
        ),
        EvalAltResult::ErrorDataRace(..) => (
            "a closure uses what it is called on".to_owned(),
            vec!["hand it a copy: `let copy = all;` before it, and `copy` in it".to_owned()],
        ),
        EvalAltResult::ErrorFunctionNotFound(signature, _) => (
            format!("there is no function {signature}"),
            vec!["the head of the template that ships lists all there are, with what they take".to_owned()],
        ),
        EvalAltResult::ErrorPropertyNotFound(name, _) => (
            format!("there is no `{name}` here"),
            vec!["the head of the template that ships says what `doc` has".to_owned()],
        ),
        EvalAltResult::ErrorParsing(kind, _) => (
            kind.to_string(),
            vec!["a template is written in Rhai; `hypocaust report template` prints one to begin with".to_owned()],
        ),
        mut other => {
            other.clear_position();
            (other.to_string(), Vec::new())
        }
    };
    Fault { place: place(template, at), message, remedies }
}

/// Where a call stands in the template.
pub(crate) fn place(template: &Template<'_>, at: Position) -> Option<Place> {
    let line = at.line()?;
    let text = template.text.lines().nth(line - 1).unwrap_or_default();
    Some(Place {
        file: template.name.to_owned(),
        line,
        column: at.position().unwrap_or(1),
        text: text.chars().take(LINE_LONGEST).collect(),
    })
}
