//! What root makes in the data folder of a daemon that runs as a user of its own.
//!
//! Must never leave a file there that the daemon could not read or write afterwards.

use std::io;
use std::os::unix::fs::MetadataExt;
use std::os::unix::process::CommandExt;
use std::path::Path;

use crate::commands::CommandError;

/// Where root asks and the data folder is another user's, the command starts over as that user and this never returns.
///
/// # Errors
/// When that user cannot start it.
pub fn go_on_as_owner(data_folder: &Path) -> Result<(), CommandError> {
    let Ok(folder) = data_folder.metadata() else { return Ok(()) };
    if !rustix::process::geteuid().is_root() || folder.uid() == 0 {
        return Ok(());
    }
    let program = std::env::current_exe().map_err(|source| refused(data_folder, source))?;
    // It gives up the other groups too.
    let source = std::process::Command::new(program)
        .args(std::env::args_os().skip(1))
        .gid(folder.gid())
        .uid(folder.uid())
        .exec();
    Err(refused(data_folder, source))
}

fn refused(data_folder: &Path, source: io::Error) -> CommandError {
    CommandError::Io {
        what: format!(
            "the data folder {} is another user's, as whom this could not start; start it as that user",
            data_folder.display()
        ),
        source,
    }
}
