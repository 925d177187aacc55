//! Keeps a panic inside the part that it happened in: the part gets it as a value, with its words and its place.
//!
//! Must never decide what becomes of the part: who called it rests it, names it and goes on.

use std::cell::{Cell, RefCell};
use std::fmt;
use std::future::poll_fn;
use std::panic::{AssertUnwindSafe, PanicHookInfo, catch_unwind, set_hook};
use std::pin::pin;
use std::task::Poll;

/// A text of a panic is cut here, in characters: it may quote what came from outside, at any length.
const WORDS_LONGEST: usize = 300;

thread_local! {
    /// How many fences stand around what this thread does.
    static FENCES: Cell<u32> = const { Cell::new(0) };
    /// Where the newest panic of this thread happened.
    static PLACE: RefCell<Option<String>> = const { RefCell::new(None) };
}

/// A panic, caught.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Panic {
    /// What it said, on one line, without control characters.
    pub words: String,
    /// Its file, line and column in the program's text. Unknown in a process that has not called [`name_places`].
    pub place: Option<String>,
}

/// Prints `a fault of hypocaust itself (index out of bounds, crates/post/src/chart.rs:51:9)`.
impl fmt::Display for Panic {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.place {
            Some(place) => write!(f, "a fault of hypocaust itself ({}, {place})", self.words),
            None => write!(f, "a fault of hypocaust itself ({})", self.words),
        }
    }
}

impl std::error::Error for Panic {}

impl Panic {
    /// What a task or thread that ended by a panic left behind.
    pub fn of(payload: &(dyn std::any::Any + Send)) -> Panic {
        Panic { words: words_of(payload), place: None }
    }
}

/// Does the work, and gives a panic in it as a value.
///
/// Whatever the work was changing is as the panic left it: hand in only what is thrown away afterwards, or what is whole at every step.
///
/// # Errors
/// [`Panic`] where the work panicked.
pub fn caught<T>(work: impl FnOnce() -> T) -> Result<T, Panic> {
    FENCES.set(FENCES.get() + 1);
    let done = catch_unwind(AssertUnwindSafe(work));
    FENCES.set(FENCES.get() - 1);
    done.map_err(|payload| Panic { words: words_of(payload.as_ref()), place: PLACE.take() })
}

/// Does work that waits in between, and gives a panic in it as a value; what [`caught`] says of the state holds here too.
///
/// # Errors
/// [`Panic`] where the work panicked.
pub async fn awaited<T>(work: impl Future<Output = T>) -> Result<T, Panic> {
    let mut work = pin!(work);
    poll_fn(|context| match caught(|| work.as_mut().poll(context)) {
        Ok(Poll::Ready(done)) => Poll::Ready(Ok(done)),
        Ok(Poll::Pending) => Poll::Pending,
        Err(panic) => Poll::Ready(Err(panic)),
    })
    .await
}

/// From now on panics are known by their place; one that no fence catches is handed to `say` and prints nothing else.
pub fn name_places(say: impl Fn(&Panic) + Send + Sync + 'static) {
    set_hook(Box::new(move |info: &PanicHookInfo<'_>| {
        let place = info.location().map(|l| format!("{}:{}:{}", plain(l.file()), l.line(), l.column()));
        if FENCES.get() > 0 {
            PLACE.set(place);
        } else {
            say(&Panic { words: words_of(info.payload()), place });
        }
    }));
}

/// The file without the folders of the machine that built the program.
fn plain(file: &str) -> &str {
    let own = file.find("crates/").filter(|_| !file.contains("/registry/"));
    let theirs = file.find("/registry/src/").and_then(|at| {
        let rest = at + "/registry/src/".len();
        Some(rest + file[rest..].find('/')? + 1)
    });
    own.or(theirs).map_or(file, |from| &file[from..])
}

fn words_of(payload: &(dyn std::any::Any + Send)) -> String {
    let words = payload.downcast_ref::<String>().map(String::as_str);
    let words = words.or_else(|| payload.downcast_ref::<&str>().copied()).unwrap_or("it does not say what");
    let plain = words.chars().map(|c| if c.is_control() { ' ' } else { c });
    plain.take(WORDS_LONGEST).collect()
}

#[cfg(test)]
mod tests {
    use std::sync::{Arc, Mutex};

    use super::*;

    #[test]
    fn a_panic_is_a_value_with_its_place_and_only_an_uncaught_one_is_told() {
        let told: Arc<Mutex<Vec<Panic>>> = Arc::default();
        let heard = Arc::clone(&told);
        name_places(move |panic| heard.lock().unwrap().push(panic.clone()));
        assert_eq!(caught(|| 7), Ok(7));
        let none: Vec<u32> = vec![];
        let inner = caught(|| caught(|| none[3]).unwrap_err());
        let panic = inner.unwrap();
        assert_eq!(panic.words, "index out of bounds: the len is 0 but the index is 3");
        assert!(panic.place.as_deref().unwrap().starts_with("crates/fence/src/lib.rs:"), "{panic}");
        let panic = caught(|| panic!("two\nlines\x1b[31m and {}", "x".repeat(1_000))).unwrap_err();
        assert!(panic.words.starts_with("two lines [31m and xxx"), "{panic}");
        assert_eq!(panic.words.chars().count(), WORDS_LONGEST);
        assert!(told.lock().unwrap().is_empty(), "whoever caught them says what they mean");
        let _ = std::thread::spawn(|| panic!("nobody catches this")).join();
        let words: Vec<String> = told.lock().unwrap().iter().map(|panic| panic.words.clone()).collect();
        assert_eq!(words, ["nobody catches this"]);
    }

    #[test]
    fn work_that_waits_panics_into_a_value_too() {
        let mut context = std::task::Context::from_waker(std::task::Waker::noop());
        let mut asked = 0;
        let waits = poll_fn(move |_| {
            asked += 1;
            match asked {
                1 => Poll::Pending,
                2 => panic!("at the second look"),
                _ => Poll::Ready(()),
            }
        });
        let mut fenced = pin!(awaited(waits));
        assert!(fenced.as_mut().poll(&mut context).is_pending());
        match fenced.as_mut().poll(&mut context) {
            Poll::Ready(Err(panic)) => assert_eq!(panic.words, "at the second look"),
            other => panic!("{other:?}"),
        }
        let mut whole = pin!(awaited(async { 7 }));
        assert_eq!(whole.as_mut().poll(&mut context), Poll::Ready(Ok(7)));
    }

    #[test]
    fn places_do_not_name_the_machine_that_built_the_program() {
        for (file, want) in [
            ("crates/post/src/chart.rs", "crates/post/src/chart.rs"),
            ("/home/somebody/hypocaust/crates/post/src/chart.rs", "crates/post/src/chart.rs"),
            ("/root/.cargo/registry/src/index.crates.io-1949/rhai-1.27.0/src/engine.rs", "rhai-1.27.0/src/engine.rs"),
            ("/rustc/0123/library/core/src/slice.rs", "/rustc/0123/library/core/src/slice.rs"),
        ] {
            assert_eq!(plain(file), want);
        }
    }
}
