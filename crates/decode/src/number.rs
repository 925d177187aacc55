//! The decimal grammar of plain payloads.
//!
//! Must never fall back on the standard library's grammar: that one takes `nan`, `inf` and turns `1e400` into infinity.

use crate::fault::{Fault, quoted};

/// Words by which devices say that they have no value.
const NO_VALUE: [&str; 5] = ["nan", "none", "null", "unknown", "unavailable"];
/// Words for an infinite value.
const INFINITE: [&str; 2] = ["inf", "infinity"];

/// Reads a payload that is one decimal number, with white space around it allowed.
///
/// `place` is the `file:line` that says to read it so.
pub(crate) fn read(payload: &[u8], place: &str) -> Result<f64, Fault> {
    let bytes = payload.trim_ascii();
    if bytes.is_empty() {
        return Err(Fault::Empty);
    }
    if is_decimal(bytes) {
        // The grammar admits ASCII only, so this cannot fail; an empty text would be refused as not a number.
        let text = std::str::from_utf8(bytes).unwrap_or_default();
        return match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            Ok(_) => Err(Fault::TooLarge { text: quoted(text) }),
            Err(_) => Err(not_a_number(text, place)),
        };
    }
    let text = String::from_utf8_lossy(bytes);
    let bare = text.trim_start_matches(['+', '-']).to_ascii_lowercase();
    if NO_VALUE.contains(&bare.as_str()) {
        Err(Fault::NoValue { word: quoted(&text) })
    } else if INFINITE.contains(&bare.as_str()) {
        Err(Fault::NotFinite { text: quoted(&text) })
    } else {
        Err(not_a_number(&text, place))
    }
}

/// Whether the bytes are `[+-] digits [. digits] [e [+-] digits]` with a digit before or after the point.
pub(crate) fn is_decimal(bytes: &[u8]) -> bool {
    let digits = |from: usize| bytes[from..].iter().take_while(|b| b.is_ascii_digit()).count();
    let sign = |at: usize| usize::from(matches!(bytes.get(at), Some(b'+' | b'-')));
    let mut at = sign(0);
    let whole = digits(at);
    at += whole;
    let mut fraction = 0;
    if bytes.get(at) == Some(&b'.') {
        fraction = digits(at + 1);
        at += 1 + fraction;
    }
    if whole + fraction == 0 {
        return false;
    }
    if matches!(bytes.get(at), Some(b'e' | b'E')) {
        at += 1 + sign(at + 1);
        let exponent = digits(at);
        if exponent == 0 {
            return false;
        }
        at += exponent;
    }
    at == bytes.len()
}

fn not_a_number(text: &str, place: &str) -> Fault {
    let comma = text.replacen(',', ".", 1);
    let leading = text.bytes().take_while(|b| b.is_ascii_digit() || b"+-.".contains(b)).count();
    let hint = if comma != text && is_decimal(comma.as_bytes()) {
        "it has a decimal comma; make the device send a point"
    } else if text.starts_with('\u{FEFF}') {
        "it begins with a byte order mark; make the device leave it out"
    } else if text.starts_with(['{', '[']) {
        "it looks like JSON; set `json` for this topic instead"
    } else if !text.is_ascii() && text.chars().any(|c| c.is_numeric() && !c.is_ascii()) {
        "its digits are not ASCII; make the device send 0 to 9"
    } else if leading > 0 && is_decimal(&text.as_bytes()[..leading]) && !text.contains(['_', ',', 'x', 'X']) {
        "something follows the number; make the device send the number alone, and name its unit in the settings"
    } else {
        "make the device send digits with a point, such as `61.25`"
    };
    Fault::NotANumber { text: quoted(text), hint, place: place.to_owned() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_payloads_are_read_by_a_strict_decimal_grammar() {
        for (payload, want, why) in [
            ("61.25", Ok(61.25), "as most devices send it"),
            (" 61.25\r\n", Ok(61.25), "white space around it"),
            ("\t-4.5 ", Ok(-4.5), "below zero"),
            ("61.", Ok(61.0), "nothing behind the point"),
            (".5", Ok(0.5), "nothing before the point"),
            ("+61", Ok(61.0), "a plus sign"),
            ("6.125E+01", Ok(61.25), "with an exponent"),
            ("-0", Ok(0.0), "minus zero is zero"),
            ("1e-400", Ok(0.0), "too small is zero"),
            ("", Err("empty"), "deletes a retained message"),
            (" \n", Err("empty"), "white space alone is empty too"),
            ("nan", Err("has no value"), "a sensor fault on the node"),
            ("-NaN", Err("has no value"), "any case, any sign"),
            ("None", Err("has no value"), "a word for no value"),
            ("unavailable", Err("has no value"), "a word for no value"),
            ("unknown", Err("has no value"), "a word for no value"),
            ("inf", Err("not a finite"), "infinite"),
            ("-Infinity", Err("not a finite"), "infinite"),
            ("1e400", Err("too large"), "would become infinite"),
            ("61,25", Err("decimal comma"), "not a point"),
            ("1,061.25", Err("not a plain decimal number"), "thousands"),
            ("61.25 C", Err("something follows"), "a unit behind it"),
            ("61.25°C", Err("something follows"), "a unit behind it"),
            ("0x3d", Err("not a plain decimal number"), "hexadecimal"),
            ("6_1", Err("not a plain decimal number"), "underscore"),
            ("\u{feff}61.25", Err("byte order mark"), "a mark that nobody sees"),
            ("６１", Err("not ASCII"), "full-width digits"),
            ("true", Err("not a plain decimal number"), "a boolean"),
            (".", Err("not a plain decimal number"), "no digit"),
            ("1e", Err("not a plain decimal number"), "no exponent"),
            ("--1", Err("not a plain decimal number"), "two signs"),
            ("{\"t\":1}", Err("looks like JSON"), "the wrong reader"),
        ] {
            match (read(payload.as_bytes(), "site.yaml:1"), want) {
                (Ok(got), Ok(want)) => assert_eq!(got, want, "{payload:?}: {why}"),
                (Err(fault), Err(want)) => {
                    assert!(fault.to_string().contains(want), "{payload:?}: {why}: {fault}");
                }
                (got, want) => panic!("{payload:?}: {why}: got {got:?}, want {want:?}"),
            }
        }
    }
}
