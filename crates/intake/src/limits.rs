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
/// The largest packet that we take from a broker elsewhere, bytes. Far above what the decoder reads, so that an over-long payload is
/// refused as a payload, with a trace, instead of breaking the session again and again. A broker elsewhere drops larger ones itself
/// (MQTT 5 Maximum Packet Size).
pub const PACKET_BYTES_MAX: u32 = 16 * 1024 * 1024;
/// The largest packet that the broker inside takes, bytes; it closes the connection of a larger one. Four times what the decoder reads,
/// and small enough that as many as may wait for a password at once do not fill the memory.
pub const INSIDE_PACKET_BYTES_MAX: usize = 1024 * 1024;
/// The largest packet from somebody who has not yet proven who they are, bytes: a CONNECT with a will.
pub const CONNECT_BYTES_MAX: usize = 8 * 1024;
/// From a connection's first moment until its CONNECT is there, TLS included.
pub const CONNECT_SENT_WITHIN: Duration = Duration::from_secs(5);
/// Connections to the broker inside, if the process may have twice as many descriptors; else half of these.
pub const CONNECTIONS: usize = 1_024;
/// Connections from one address, an IPv6 network of 64 bits counting as one: a router with all probes of a site behind it.
pub const CONNECTIONS_PER_ADDRESS: usize = 512;
/// Connections of one user.
pub const CONNECTIONS_PER_USER: usize = 512;
/// Connections that have not yet proven who they are; the rest is closed at once and comes again.
pub const UNPROVEN: usize = 128;
/// Those of one address.
pub const UNPROVEN_PER_ADDRESS: usize = 64;
/// The longest client id, bytes: it is the name of a file.
pub const CLIENT_ID_BYTES_MAX: usize = 128;
/// The longest user name and the longest password that are looked at, bytes.
pub const LOGIN_BYTES_MAX: usize = 256;
/// A shorter password in the file of the broker's users is refused.
pub const PASSWORD_CHARS_MIN: usize = 12;
/// Password hashes that are computed at once: each takes a processor and 19 MB.
pub const HASHES_AT_ONCE: usize = 2;
/// Pairs of address and user whose wrong passwords are remembered.
pub const WRONG_REMEMBERED: usize = 4_096;
/// The longest time for which no further guess of an address for a user is tried; it begins at [`WRONG_PASSWORD_AFTER`] and doubles.
pub const WRONG_PAUSE_MAX: Duration = Duration::from_secs(30);
/// Filters of all clients together: each is compared with every topic.
pub const FILTERS: usize = 2_000;
/// Filters of one client.
pub const FILTERS_PER_CLIENT: usize = 100;
/// Clients that hear something, connected or away: each may have a queue.
pub const HEARERS: usize = 256;
/// Of these, how many may belong to one user.
pub const HEARERS_PER_USER: usize = 128;
/// Sessions that are kept for clients that are away, in memory and on disk.
pub const SESSIONS: usize = 1_000;
/// Of these, how many may belong to one user.
pub const SESSIONS_PER_USER: usize = 500;
/// Wills that wait for their delay to pass.
pub const WAITING_WILLS: usize = 1_000;
/// Of these, how many may belong to one user.
pub const WAITING_WILLS_PER_USER: usize = 500;
/// Retained messages of clients, and their bytes with their topics. Beyond it a message is passed on, and not kept.
pub const RETAINED: usize = 10_000;
/// Bytes of all of them.
pub const RETAINED_BYTES: usize = 16 * 1024 * 1024;
/// How many may be of one user.
pub const RETAINED_PER_USER: usize = 5_000;
/// How many bytes may be of one user.
pub const RETAINED_BYTES_PER_USER: usize = 8 * 1024 * 1024;
/// The largest message that is retained.
pub const RETAINED_MESSAGE_BYTES: usize = 16 * 1024;
/// The largest payload that is passed on to other clients; readings that are longer are read, and not passed on.
pub const PASSED_ON_BYTES_MAX: usize = 16 * 1024;
/// The largest payload of QoS 2 that is held until its sender releases it; a larger one is passed on at once, like one of QoS 1.
pub const HELD_BYTES_MAX: usize = 1_024;
/// Messages of QoS 2 that one client may have under way to the broker inside.
pub const INSIDE_RECEIVE_MAX: u16 = 32;
/// Messages that the broker inside has under way to one client.
pub const INSIDE_INFLIGHT: u16 = 8;
/// Messages that wait in memory for one connected client, before they go to its queue.
pub const CLIENT_LANE: usize = 64;
/// Topics that one client may give a number (MQTT 5 topic alias).
pub const TOPIC_ALIASES: u16 = 16;
/// Refusals of the broker inside that are told in the log, once each; beyond it they pass in silence.
pub const REFUSALS_TOLD: usize = 200;
/// After a connection could not be taken, as a rule because there are too many open files.
pub const ACCEPT_AGAIN: Duration = Duration::from_millis(200);
/// The same trouble is told no more often than this.
pub const TELL_AGAIN: Duration = Duration::from_secs(60);
/// From one look after the broker's sessions for those past their time to the next.
pub const SWEEP_EVERY: Duration = Duration::from_secs(600);
/// From one look at the room that waiting messages take on disk to the next.
pub const QUEUES_LOOKED_AT_EVERY: Duration = Duration::from_secs(10);
/// How long a broker elsewhere keeps our session and its messages while we are away, seconds: 30 days.
pub const SESSION_EXPIRY_SECONDS: u32 = 30 * 24 * 3_600;
/// How long the broker inside keeps the session of a client that is away.
pub const CLIENT_SESSION_EXPIRY: Duration = Duration::from_secs(7 * 24 * 3_600);
/// Messages that the broker inside keeps for one client that is away, such as a panel.
pub const CLIENT_QUEUE_MESSAGES: usize = 1_000;
/// Bytes that the broker inside keeps for one client that is away. The library writes each byte as a number on a line of its own: on
/// disk it is ten times as much.
pub const CLIENT_QUEUE_BYTES: usize = 128 * 1024;
/// What waits for all clients together may take so many bytes of disk, in whole blocks: each message is a file of its own. Beyond it the
/// fullest queues go, with their sessions, until half of this is left.
pub const QUEUES_ON_DISK: u64 = 128 * 1024 * 1024;
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
