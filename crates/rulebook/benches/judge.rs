//! What one judgement costs, rule by rule: a bin with three probes at one reading a minute, and a counted blower.
//!
//! Must never be taken for a test: it measures.

#![allow(clippy::result_large_err)]

#[path = "../tests/built/mod.rs"]
mod built;

use std::hint::black_box;
use std::sync::Arc;

use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use site::model::{Display, Position};
use site::quantity::Quantity::Temperature;

fn judging(c: &mut Criterion) {
    let book = built::book(Display::Metric);
    let facts = built::on_air("8d")
        .every(Position::Core, Temperature, "8d:20 6d:60 2d:62 0h:50", "1min")
        .every(Position::Base, Temperature, "8d:20 6d:58 2d:60 0h:45", "1min")
        .every(Position::Upper, Temperature, "8d:20 6d:62 2d:64 0h:60", "1min")
        .counted("1d:0 0h:2160")
        .done();
    for rule in book.rules() {
        // Fresh facts each time: the cost without anything remembered.
        c.bench_function(&rule.name, |b| {
            b.iter_batched(
                || Arc::new((*facts).clone()),
                |facts| black_box(book.judge(rule, &facts)),
                BatchSize::SmallInput,
            );
        });
    }
    c.bench_function("all rules over one bin", |b| {
        b.iter_batched(
            || Arc::new((*facts).clone()),
            |facts| {
                for rule in book.rules() {
                    let _ = black_box(book.judge(rule, &facts));
                }
            },
            BatchSize::SmallInput,
        );
    });
}

criterion_group!(benches, judging);
criterion_main!(benches);
