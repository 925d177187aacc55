//! One mail at a time: fetched for delivery, its rendered bytes kept.
//!
//! Must never let a second rendering replace the first: a retry sends the same bytes, and so the same Message-ID and words.

use engine::effect::{Mail, MailId};
use rusqlite::{OptionalExtension, params};

use crate::error::Cause;
use crate::{Ledger, LedgerError, rows};

/// The bytes that go to the relay, once a mail was rendered.
pub type Rendered = Option<Vec<u8>>;

impl Ledger {
    /// A mail with its rendered bytes, if it was rendered; `None` when there is no such mail.
    ///
    /// # Errors
    /// [`LedgerError`] when the ledger cannot be read.
    pub fn mail(&self, id: MailId) -> Result<Option<(Mail, Rendered)>, LedgerError> {
        self.reading("fetching a mail", |conn| {
            let sql = format!("SELECT {}, rendered FROM outbox WHERE id = ?1", rows::MAIL);
            let found = rows::all(conn, &sql, [rows::key(id.0)?], |row| Ok((rows::mail(row)?, row.get("rendered")?)))?;
            Ok(found.into_iter().next())
        })
    }

    /// Keeps the bytes of a mail that was rendered for the first time; where some are kept already, those stay.
    ///
    /// # Errors
    /// [`LedgerError`] when there is no such mail or it cannot be written; then nothing was written.
    pub fn keep_rendered(&mut self, id: MailId, bytes: &[u8]) -> Result<(), LedgerError> {
        self.writing("keeping a rendered mail", |ledger| {
            let key = rows::key(id.0)?;
            let mut update =
                ledger.conn.prepare_cached("UPDATE outbox SET rendered = ?2 WHERE id = ?1 AND rendered IS NULL")?;
            if update.execute(params![key, bytes])? == 1 {
                return Ok(());
            }
            let mut query = ledger.conn.prepare_cached("SELECT 1 FROM outbox WHERE id = ?1")?;
            match query.query_row([key], |_| Ok(())).optional()? {
                Some(()) => Ok(()),
                None => Err(Cause::Contradiction(format!("there is no mail {key} in the outbox"))),
            }
        })
    }
}
