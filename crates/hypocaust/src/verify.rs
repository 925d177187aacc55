//! Checks a bundle that lies in a folder or in a zip file, and prints a line for each step.
//!
//! Must never need the settings, the store or the network: whoever was handed a bundle has none of them.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::ExitCode;

use seal::bundle::{self, Outcome, Source, Step};
use seal::note::VerifierKey;

use crate::cli::VerifyArgs;
use crate::commands::CommandError;
use crate::zipped::{self, Archive};

/// Checks a bundle; exit 1 where something does not hold, 2 where all does and nobody said whose key it is.
///
/// # Errors
/// When there is no bundle, or it is not whole enough to begin with.
pub fn verify(args: &VerifyArgs) -> Result<ExitCode, CommandError> {
    let folder = &args.bundle;
    let no_input = |path: &Path, source| CommandError::NoInput {
        what: format!("{} cannot be read; correct the path", path.display()),
        source,
    };
    let archive = match !folder.is_dir() {
        true if zipped::is_zip(folder).map_err(|source| no_input(folder, source))? => {
            // A zip that cannot be opened is a bundle that is not whole.
            let opened = Archive::open(folder);
            Some(opened.map_err(|e| CommandError::Refused(format!("{}: {e}; ask for it again", folder.display())))?)
        }
        true => return Err(CommandError::Refused(format!("{}: is no zip file and no folder", folder.display()))),
        false => None,
    };
    let mut names = Vec::new();
    match &archive {
        Some(archive) => names = archive.names(),
        None => zipped::list(folder, &mut names).map_err(|source| no_input(folder, source))?,
    }
    names.sort();
    let key = match &args.vkey {
        Some(text) => Some(VerifierKey::parse(text).map_err(|e| CommandError::Usage(format!("--vkey: {e}")))?),
        None => None,
    };
    let previous = match &args.previous {
        Some(path) => Some(files::read_text(path, files::NOTE).map_err(|source| no_input(path, source))?),
        None => None,
    };
    let open = |name: &str| match &archive {
        Some(archive) => archive.file(name),
        None => Ok(Box::new(BufReader::new(files::open_within(folder, name, files::MEMBER)?)) as Box<dyn BufRead>),
    };
    let source = Source { names, open: &open };
    let checked = bundle::verify(&source, key.as_ref(), previous.as_deref());
    let steps = checked.map_err(|e| CommandError::Refused(format!("{}: {e}", folder.display())))?;
    let mut holds = true;
    for Step { name, outcome } in steps {
        match outcome {
            Outcome::Good(said) => println!("ok    {name:<11} {}", quoted(&said)),
            Outcome::Unsure(said) => println!("ok?   {name:<11} {}", quoted(&said)),
            Outcome::Bad(faults) => {
                holds = false;
                faults.iter().for_each(|fault| println!("FAIL  {name:<11} {}", quoted(fault)));
            }
        }
    }
    if !holds {
        return Ok(ExitCode::from(1));
    }
    if key.is_none() {
        println!("consistent, signer unknown: give the key that the site published as --vkey");
        return Ok(ExitCode::from(UNKNOWN));
    }
    Ok(ExitCode::SUCCESS)
}

/// A line of the answer. What a bundle says of itself is quoted and cut: whoever made it may want to write over the answer.
fn quoted(said: &str) -> String {
    let cut: String = said.chars().take(SAID_LONGEST).collect();
    let end = if said.chars().nth(SAID_LONGEST).is_some() { "…" } else { "" };
    format!("{}{end}", site::plain::line(&cut))
}

/// The exit code where all of it holds by the bundle's own key, which anybody could have made.
const UNKNOWN: u8 = 2;
/// Characters of one line.
const SAID_LONGEST: usize = 1_000;
