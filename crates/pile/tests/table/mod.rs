//! Reads the reference tables and keeps count of how far the science is from them.
//!
//! Must never skip a row or a cell: a table that cannot be read fails.

#![allow(dead_code, clippy::unwrap_used, reason = "each test takes what it needs; a test that cannot go on fails")]

use std::collections::BTreeMap;

use pile::time::Timestamp;

/// A row of a reference table by its column headings.
#[derive(Debug)]
pub(crate) struct Row(BTreeMap<String, String>);

impl Row {
    pub(crate) fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }
    pub(crate) fn number(&self, column: &str) -> f64 {
        self.text(column).parse().unwrap_or_else(|_| panic!("{column}: {} is no number", self.text(column)))
    }
    /// None where the table has no such column.
    pub(crate) fn find(&self, column: &str) -> Option<f64> {
        self.0.contains_key(column).then(|| self.number(column))
    }
    /// An empty cell is undefined.
    pub(crate) fn optional(&self, column: &str) -> Option<f64> {
        (!self.text(column).is_empty()).then(|| self.number(column))
    }
    pub(crate) fn instant(&self, column: &str) -> Timestamp {
        Timestamp::from_millis((self.number(column) * 1e3).round() as i64)
    }
}

impl std::ops::Index<&str> for Row {
    type Output = str;
    fn index(&self, column: &str) -> &str {
        self.text(column)
    }
}

pub(crate) fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/../../tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let mut lines = text.lines();
    assert!(lines.next().unwrap().starts_with("# source: "), "{path}: the first line names the source");
    let heads: Vec<&str> = lines.next().unwrap().split(',').collect();
    let rows: Vec<Row> = lines
        .map(|line| {
            let cells: Vec<&str> = line.split(',').collect();
            assert_eq!(cells.len(), heads.len(), "{path}: {line}");
            Row(heads.iter().zip(cells).map(|(h, c)| ((*h).to_owned(), c.to_owned())).collect())
        })
        .collect();
    assert!(!rows.is_empty(), "{path} has no row");
    rows
}

/// Equal to `tolerance` of the larger of the wanted value and one.
#[track_caller]
pub(crate) fn assert_close(got: f64, want: f64, tolerance: f64, what: &str) {
    assert!((got - want).abs() <= tolerance * want.abs().max(1.0), "{what}: {got}, table {want}");
}

/// How far a table and the science are apart, over all rows.
pub(crate) struct Agreement {
    table: &'static str,
    values: usize,
    largest: f64,
    at: String,
}

impl Agreement {
    pub(crate) fn with(table: &'static str) -> Agreement {
        Agreement { table, values: 0, largest: 0.0, at: String::new() }
    }

    /// Notes a value: the difference is relative to the larger of the wanted value and one.
    pub(crate) fn note(&mut self, got: f64, want: f64, what: &str) {
        let apart = (got - want).abs() / want.abs().max(1.0);
        self.values += 1;
        assert!(!apart.is_nan(), "{}, {what}: {got}, table {want}", self.table);
        if apart > self.largest {
            (self.largest, self.at) = (apart, format!("{what}: {got}, table {want}"));
        }
    }

    /// Asserts that `values` were compared and none was further off than `tolerance`.
    #[track_caller]
    pub(crate) fn hold(self, values: usize, tolerance: f64) {
        let Agreement { table, largest, at, .. } = self;
        println!("{table}: {values} values, largest disagreement {largest:.1e} ({at})");
        assert_eq!(self.values, values, "{table}: values compared");
        assert!(largest <= tolerance, "{table}: {largest:e} apart at {at}");
    }
}
