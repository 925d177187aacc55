//! Every queue, window and retry of the intake with its bound, in one table.
//!
//! Must never be repeated elsewhere as a number.

use std::time::Duration;

/// Happenings that wait to be taken. More than [`RECEIVE_MAX`], so that only a flood of QoS 0 messages fills it while the broker
/// keeps to what we asked for.
pub const QUEUE_MESSAGES: usize = 2_048;
/// Payload bytes of messages that are neither released nor dropped. Beyond it nothing more is read.
pub const QUEUE_BYTES: usize = 64 * 1024 * 1024;
/// QoS 1 messages that a broker elsewhere may have under way to us (MQTT 5 Receive Maximum). Much larger windows made a broker
/// slower when measured.
pub const RECEIVE_MAX: u16 = 1_000;
/// Requests (acknowledgements, publishes) that wait for the polling task. More than [`RECEIVE_MAX`], so that acknowledgements fit.
pub const REQUESTS: usize = 2_048;
/// Acknowledgements that go out in one flush. Below any window that a broker may grant: one that waits for acknowledgements which
/// wait for more messages would stand still.
pub const ACK_BATCH: usize = 100;
/// The largest packet either broker takes, bytes. Far above what the decoder reads, so that an over-long payload is refused as a
/// payload, with a trace, instead of breaking the session again and again. A broker elsewhere drops larger ones itself (MQTT 5
/// Maximum Packet Size); the broker inside closes the connection.
pub const PACKET_BYTES_MAX: u32 = 16 * 1024 * 1024;
/// How long a broker elsewhere keeps our session and its messages while we are away, seconds: 30 days.
pub const SESSION_EXPIRY_SECONDS: u32 = 30 * 24 * 3_600;
/// How long the broker inside keeps the session of a client that is away.
pub const CLIENT_SESSION_EXPIRY: Duration = Duration::from_secs(7 * 24 * 3_600);
/// Messages that the broker inside keeps for one client that is away, such as a panel.
pub const CLIENT_QUEUE_MESSAGES: usize = 1_000;
/// Bytes that the broker inside keeps for one client that is away.
pub const CLIENT_QUEUE_BYTES: usize = 4 * 1024 * 1024;
/// An idle link is probed after this many seconds.
pub const KEEP_ALIVE_SECONDS: u16 = 30;
/// From one look whether the broker inside takes connections to the next.
pub const KNOCK_EVERY: Duration = Duration::from_secs(10);
/// A connection attempt is given up after this.
pub const CONNECT_WITHIN: Duration = Duration::from_secs(10);
/// The pause before the first new attempt; it doubles up to [`RETRY_MAX`].
pub const RETRY_MIN: Duration = Duration::from_millis(250);
/// The longest pause between attempts.
pub const RETRY_MAX: Duration = Duration::from_secs(30);
/// A link that held this long starts again at [`RETRY_MIN`]; one that breaks at once does not.
pub const STEADY_AFTER: Duration = Duration::from_secs(10);
/// The pause before we connect again because a message was dropped unacknowledged.
pub const RESET_PAUSE: Duration = Duration::from_secs(1);
/// Messages that wait to be published.
pub const OUTGOING: usize = 256;
/// Topics whose newest retained message is kept, to be published again when the link comes back.
pub const KEPT_TOPICS: usize = 10_000;
/// A wrong password is answered after this, so that guessing takes time.
pub const WRONG_PASSWORD_AFTER: Duration = Duration::from_millis(500);
/// Topics without an entry in the settings that are told, once each; beyond it they pass in silence.
pub const UNMAPPED_TOLD: usize = 1_000;
/// How long the broker inside goes on after its farewell, so that panels hear it.
pub const FAREWELL: Duration = Duration::from_millis(100);
/// How often we look whether the last connection has ended.
pub const LOOK_AGAIN: Duration = Duration::from_millis(5);
/// Stopping takes no longer than this.
pub const STOP_WITHIN: Duration = Duration::from_millis(800);
