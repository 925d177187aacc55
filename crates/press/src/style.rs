//! The maps by which a template says how something looks, read key by key.
//!
//! Must never pass over a key that it does not know: a misspelt one would change nothing, and nobody would learn why.

use rhai::{Dynamic, EvalAltResult, Map, NativeCallContext, Position};

use crate::element::{Column, Edge, Element, Gaps, Look, Rules, Side, Sides, Width};
use crate::fault::Fault;
use crate::template::elements;

/// What ends a template.
pub(crate) type Trouble = Box<EvalAltResult>;

/// The widest a column that fits its words may become by itself, as a share of the whole.
const FIT_MOST: f32 = 1.0;

/// The most letters that a line may be asked to hold.
const COUNT_MAX: usize = 1_000;

/// A style that is being read.
pub(crate) struct Style {
    /// The function it was given to.
    of: &'static str,
    map: Map,
    at: Position,
    known: Vec<&'static str>,
}

/// An end of the template at a place, with its remedy.
pub(crate) fn said(at: Position, message: &str, remedy: &str) -> Trouble {
    let fault = Fault { place: None, message: message.to_owned(), remedies: vec![remedy.to_owned()] };
    EvalAltResult::ErrorRuntime(Dynamic::from(fault), at).into()
}

/// A number of either kind.
pub(crate) fn number(value: &Dynamic) -> Option<f64> {
    let number = value.as_float().ok().or_else(|| value.as_int().ok().map(|whole| whole as f64))?;
    number.is_finite().then_some(number)
}

/// A line so many points thick, its grey in percent.
pub(crate) fn line(ctx: &NativeCallContext<'_>, thick: &Dynamic, grey: f64) -> Result<Dynamic, Trouble> {
    let thick = number(thick).filter(|thick| (0.0..=36.0).contains(thick)).ok_or_else(|| {
        said(ctx.call_position(), "a line is a number of points thick, 0 to 36", "line(0.8) is a clear one")
    })?;
    if !(0.0..=100.0).contains(&grey) {
        return Err(said(
            ctx.call_position(),
            "the grey of a line is 0 for black to 100 for white",
            "65 is a quiet one",
        ));
    }
    Ok(Dynamic::from(Edge { thick: thick as f32, grey: shade(grey) }))
}

/// Of percent.
fn shade(percent: f64) -> u8 {
    (percent.clamp(0.0, 100.0) * 2.55).round() as u8
}

impl Style {
    pub(crate) fn of(of: &'static str, map: Map, at: Position) -> Style {
        Style { of, map, at, known: Vec::new() }
    }

    /// Whether every key was asked for.
    pub(crate) fn done(self) -> Result<(), Trouble> {
        match self.map.keys().next() {
            None => Ok(()),
            Some(key) => Err(said(
                self.at,
                &format!("{} knows no `{key}`", self.of),
                &format!("it knows {}", self.known.join(", ")),
            )),
        }
    }

    pub(crate) fn take(&mut self, key: &'static str) -> Option<Dynamic> {
        self.known.push(key);
        self.map.remove(key).filter(|value| !value.is_unit())
    }

    fn wrong(&self, key: &str, value: &Dynamic, remedy: &str) -> Trouble {
        let value = if value.is_string() { format!("\"{value}\"") } else { value.to_string() };
        let value: String = value.chars().take(40).collect();
        said(self.at, &format!("`{key}` of {} is {value}", self.of), remedy)
    }

    /// Points, or sizes of letters.
    pub(crate) fn length(&mut self, key: &'static str) -> Result<Option<f32>, Trouble> {
        let Some(value) = self.take(key) else { return Ok(None) };
        match number(&value).filter(|number| (0.0..=5_000.0).contains(number)) {
            Some(number) => Ok(Some(number as f32)),
            None => Err(self.wrong(key, &value, "it is a number of 0 to 5000, in points or by mm(…)")),
        }
    }

    /// A share of something.
    pub(crate) fn share(&mut self, key: &'static str) -> Result<Option<f32>, Trouble> {
        let Some(value) = self.take(key) else { return Ok(None) };
        match number(&value).filter(|number| (0.01..=1.0).contains(number)) {
            Some(number) => Ok(Some(number as f32)),
            None => Err(self.wrong(key, &value, "it is a share, 0.01 to 1")),
        }
    }

    pub(crate) fn count(&mut self, key: &'static str) -> Result<Option<usize>, Trouble> {
        let Some(value) = self.take(key) else { return Ok(None) };
        match value.as_int().ok().and_then(|whole| usize::try_from(whole).ok()) {
            Some(count) if count <= COUNT_MAX => Ok(Some(count)),
            _ => Err(self.wrong(key, &value, "it is a whole number of 0 to 1000")),
        }
    }

    pub(crate) fn flag(&mut self, key: &'static str) -> Result<Option<bool>, Trouble> {
        let Some(value) = self.take(key) else { return Ok(None) };
        value.as_bool().map(Some).map_err(|_| self.wrong(key, &value, "it is true or false"))
    }

    pub(crate) fn gaps(&mut self) -> Result<Gaps, Trouble> {
        Ok(Gaps { above: self.length("above")?, below: self.length("below")? })
    }

    pub(crate) fn look(&mut self) -> Result<Look, Trouble> {
        let size = self.length("size")?;
        if let Some(size) = size.filter(|size| !(2.0..=200.0).contains(size)) {
            return Err(self.wrong("size", &Dynamic::from(f64::from(size)), "letters are 2 to 200 points high"));
        }
        let strong = match self.take("weight") {
            None => None,
            Some(value) => match value.to_string().as_str() {
                "strong" => Some(true),
                "plain" => Some(false),
                _ => return Err(self.wrong("weight", &value, "it is \"strong\" or \"plain\"")),
            },
        };
        let grey = match self.take("grey") {
            None => None,
            Some(value) => match number(&value).filter(|grey| (0.0..=100.0).contains(grey)) {
                Some(grey) => Some(shade(grey)),
                None => return Err(self.wrong("grey", &value, "it is 0 for black to 100 for white")),
            },
        };
        let equal = match self.take("face") {
            None => None,
            Some(value) => match value.to_string().as_str() {
                "equal" => Some(true),
                "text" => Some(false),
                _ => return Err(self.wrong("face", &value, "it is \"text\", or \"equal\" for letters of one width")),
            },
        };
        Ok(Look { size, strong, grey, equal })
    }

    pub(crate) fn side(&mut self, key: &'static str) -> Result<Option<Side>, Trouble> {
        let Some(value) = self.take(key) else { return Ok(None) };
        match value.to_string().as_str() {
            "left" => Ok(Some(Side::Left)),
            "right" => Ok(Some(Side::Right)),
            "centre" => Ok(Some(Side::Centre)),
            _ => Err(self.wrong(key, &value, "it is \"left\", \"centre\" or \"right\"")),
        }
    }

    /// A map of the four sides, or one value for all.
    fn sides<T: Copy>(
        &mut self,
        key: &'static str,
        one: impl Fn(&Dynamic) -> Option<T>,
        without: T,
        remedy: &str,
    ) -> Result<Sides<T>, Trouble> {
        let Some(value) = self.take(key) else {
            return Ok(Sides { left: without, right: without, top: without, bottom: without });
        };
        let Some(map) = value.read_lock::<Map>().map(|map| map.clone()) else {
            let all = one(&value).ok_or_else(|| self.wrong(key, &value, remedy))?;
            return Ok(Sides { left: all, right: all, top: all, bottom: all });
        };
        let mut sides = Style::of(key, map, self.at);
        let mut side = |name: &'static str| match sides.take(name) {
            None => Ok(without),
            Some(value) => one(&value).ok_or_else(|| sides.wrong(name, &value, remedy)),
        };
        let all = Sides { left: side("left")?, right: side("right")?, top: side("top")?, bottom: side("bottom")? };
        sides.done()?;
        Ok(all)
    }

    pub(crate) fn inset(&mut self, key: &'static str) -> Result<Sides<f32>, Trouble> {
        let points = |value: &Dynamic| number(value).filter(|n| (0.0..=2_000.0).contains(n)).map(|n| n as f32);
        self.sides(
            key,
            points,
            0.0,
            "give points, or mm(…), for all sides or as #{ left: …, right: …, top: …, bottom: … }",
        )
    }

    pub(crate) fn edges(&mut self, key: &'static str) -> Result<Sides<Option<Edge>>, Trouble> {
        let edge = |value: &Dynamic| value.read_lock::<Edge>().map(|edge| Some(*edge));
        self.sides(key, edge, None, "give line(…) for all sides or as #{ left: …, right: …, top: …, bottom: … }")
    }

    /// Those of a table, under the key `rules`.
    pub(crate) fn rules(&mut self) -> Result<Rules, Trouble> {
        let Some(value) = self.take("rules") else { return Ok(Rules::default()) };
        let remedy = "give #{ top: line(…), head: …, rows: …, bottom: … }";
        let map = value.read_lock::<Map>().map(|map| map.clone()).ok_or_else(|| self.wrong("rules", &value, remedy))?;
        let mut rules = Style::of("rules", map, self.at);
        let mut one = |name: &'static str| match rules.take(name) {
            None => Ok(None),
            Some(value) => {
                value.read_lock::<Edge>().map(|edge| Some(*edge)).ok_or_else(|| rules.wrong(name, &value, remedy))
            }
        };
        let all = Rules { top: one("top")?, head: one("head")?, rows: one("rows")?, bottom: one("bottom")? };
        rules.done()?;
        Ok(all)
    }

    /// Width and height of the sheet, under the key `paper`.
    pub(crate) fn paper(&mut self) -> Result<(f32, f32), Trouble> {
        let value = self.take("paper").unwrap_or_else(|| "a4".into());
        // ISO 216 in millimetres, and ANSI/ASME Y14.1 in inches.
        match value.to_string().as_str() {
            "a4" => Ok((210.0 / 25.4 * 72.0, 297.0 / 25.4 * 72.0)),
            "us-letter" => Ok((8.5 * 72.0, 11.0 * 72.0)),
            _ => Err(self.wrong("paper", &value, "it is \"a4\" or \"us-letter\"")),
        }
    }

    pub(crate) fn elements(&mut self, key: &'static str) -> Result<Vec<Element>, Trouble> {
        self.take(key).map_or_else(|| Ok(Vec::new()), |value| elements(value, self.at))
    }

    /// The one element under a key.
    pub(crate) fn element(&mut self, key: &'static str) -> Result<Option<Element>, Trouble> {
        let Some(value) = self.take(key) else { return Ok(None) };
        let mut all = elements(value.clone(), self.at)?;
        match (all.pop(), all.is_empty()) {
            (Some(one), true) => Ok(Some(one)),
            _ => Err(self.wrong(key, &value, "give one text(…)")),
        }
    }

    /// `fit`, `fill`, a number of points, or `share` parts of what is left.
    pub(crate) fn width(&self, value: &Dynamic, most: Option<f32>) -> Result<Width, Trouble> {
        if let Some(points) = number(value).filter(|points| (1.0..=5_000.0).contains(points)) {
            return Ok(Width::Points(points as f32));
        }
        let told = if value.is_string() { value.to_string() } else { String::new() };
        let share = |share: &str| share.parse::<f32>().ok().filter(|share| (0.01..=1_000.0).contains(share));
        let mut words = told.split_whitespace();
        match (words.next(), words.next().map(share), words.next()) {
            (Some("fit"), None, _) => Ok(Width::Fit { most: most.unwrap_or(FIT_MOST) }),
            (Some("fill"), None, _) if most.is_none() => Ok(Width::Fill { share: 1.0 }),
            (Some("fill"), Some(Some(share)), None) if most.is_none() => Ok(Width::Fill { share }),
            (Some("fill"), _, _) if most.is_some() => {
                Err(self.wrong("width", value, "`most` is for a column of the width \"fit\""))
            }
            _ => Err(self.wrong("width", value, "it is \"fit\", \"fill\", \"fill 2\" for two shares, or points")),
        }
    }

    /// A column of a table.
    pub(crate) fn column(&self, value: Dynamic) -> Result<Column, Trouble> {
        let map = value.read_lock::<Map>().map(|map| map.clone()).ok_or_else(|| {
            said(self.at, "a column of a table is a map", "write #{ head: \"…\", width: \"fit\", align: \"left\" }")
        })?;
        let mut column = Style::of("a column", map, self.at);
        let head = column.take("head").map(|head| elements(head, self.at)).transpose()?;
        let most = column.share("most")?;
        let width = column.take("width").unwrap_or_else(|| "fit".into());
        let width = column.width(&width, most)?;
        let align = column.side("align")?.unwrap_or_default();
        column.done()?;
        Ok(Column { head, align, width })
    }
}
