//! The doors of the broker inside: takes connections, counts them, and lets none wait for long before it says who it is.
//!
//! Must never end because a connection could not be taken, and never let one that waits hold another up.

use std::collections::BTreeMap;
use std::future::Future;
use std::io;
use std::net::{IpAddr, Ipv6Addr, SocketAddr};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use mqtt5::broker::transport::BrokerTransport;
use tokio::net::{TcpListener, TcpStream};
use tokio::time::{Instant, sleep, timeout};

use crate::limits;

/// How many connections there are, by what they are.
#[derive(Debug)]
pub(crate) struct Census {
    /// The most that there may be; fewer than [`limits::CONNECTIONS`] where descriptors are short.
    most: usize,
    counts: Mutex<Counts>,
}

#[derive(Debug, Default)]
struct Counts {
    all: usize,
    unproven: usize,
    by_address: BTreeMap<IpAddr, (usize, usize)>,
    by_user: BTreeMap<String, usize>,
}

/// The place of one connection; leaving it is dropping it.
#[derive(Debug)]
pub(crate) struct Place {
    census: Arc<Census>,
    address: IpAddr,
    standing: Mutex<Standing>,
}

#[derive(Debug, PartialEq)]
enum Standing {
    Unproven,
    Proven(Option<String>),
}

impl Census {
    pub(crate) fn new(most: usize) -> Arc<Census> {
        Arc::new(Census { most: most.clamp(1, limits::CONNECTIONS), counts: Mutex::default() })
    }

    /// A place for a connection from this address, if there is room for one more that has not said who it is.
    pub(crate) fn enter(self: &Arc<Census>, from: IpAddr) -> Result<Place, &'static str> {
        let address = network(from);
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let (here, unproven_here) = counts.by_address.get(&address).copied().unwrap_or_default();
        if counts.all >= self.most {
            return Err("as many connections as there may be");
        }
        if here >= limits::CONNECTIONS_PER_ADDRESS {
            return Err("as many connections as one address may have");
        }
        // Half of what there may be at the most, or a small machine would be full of strangers.
        if counts.unproven >= limits::UNPROVEN.min(self.most.div_ceil(2)) {
            return Err("too many connections that have not said who they are");
        }
        if unproven_here >= limits::UNPROVEN_PER_ADDRESS.min(self.most.div_ceil(2)) {
            return Err("too many connections of one address that have not said who they are");
        }
        counts.all += 1;
        counts.unproven += 1;
        counts.by_address.insert(address, (here + 1, unproven_here + 1));
        Ok(Place { census: Arc::clone(self), address, standing: Mutex::new(Standing::Unproven) })
    }
}

impl Place {
    /// Whoever it is has proven it; `false` where that user has as many connections as one may have.
    pub(crate) fn proven(&self, user: Option<&str>) -> bool {
        let mut standing = self.standing.lock().unwrap_or_else(PoisonError::into_inner);
        if *standing != Standing::Unproven {
            return true;
        }
        let mut counts = self.census.counts.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(user) = user {
            let own = counts.by_user.get(user).copied().unwrap_or_default();
            if own >= limits::CONNECTIONS_PER_USER {
                return false;
            }
            counts.by_user.insert(user.to_owned(), own + 1);
        }
        counts.unproven = counts.unproven.saturating_sub(1);
        if let Some((_, unproven)) = counts.by_address.get_mut(&self.address) {
            *unproven = unproven.saturating_sub(1);
        }
        *standing = Standing::Proven(user.map(ToOwned::to_owned));
        true
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let standing = self.standing.get_mut().unwrap_or_else(PoisonError::into_inner);
        let mut counts = self.census.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counts.all = counts.all.saturating_sub(1);
        let waited = usize::from(*standing == Standing::Unproven);
        counts.unproven = counts.unproven.saturating_sub(waited);
        if let Some((here, unproven)) = counts.by_address.get_mut(&self.address) {
            *here = here.saturating_sub(1);
            *unproven = unproven.saturating_sub(waited);
            if *here == 0 {
                counts.by_address.remove(&self.address);
            }
        }
        if let Standing::Proven(Some(user)) = standing
            && let Some(own) = counts.by_user.get_mut(user)
        {
            *own = own.saturating_sub(1);
            if *own == 0 {
                counts.by_user.remove(user);
            }
        }
    }
}

/// What counts as one address: whoever has an IPv6 network has all of its addresses.
pub(crate) fn network(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V4(address) => IpAddr::V4(address),
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
    }
}

/// What the first bytes of a connection say of its CONNECT.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Head {
    /// So many bytes are needed to tell.
    More,
    /// It is one, of so many bytes in all.
    Connect(usize),
    /// It is something else, or too long.
    Never,
}

/// Reads the fixed header of the first packet (MQTT 5.0, section 2.1): type 1 with no flags, then a length of up to four bytes.
pub(crate) fn head(bytes: &[u8]) -> Head {
    let Some((&first, rest)) = bytes.split_first() else { return Head::More };
    if first != 0x10 {
        return Head::Never;
    }
    let mut length = 0_usize;
    for (i, byte) in rest.iter().take(4).enumerate() {
        length |= usize::from(byte & 0x7F) << (7 * i);
        if byte & 0x80 == 0 {
            let all = length + i + 2;
            return if all > limits::CONNECT_BYTES_MAX { Head::Never } else { Head::Connect(all) };
        }
    }
    if rest.len() >= 4 { Head::Never } else { Head::More }
}

/// From one look at what has come to the next.
const LOOK: Duration = Duration::from_millis(20);

/// Waits until the whole CONNECT has come, and leaves it where it is.
pub(crate) async fn connect_has_come(stream: &TcpStream) -> bool {
    let mut bytes = vec![0; limits::CONNECT_BYTES_MAX];
    loop {
        let Ok(n) = stream.peek(&mut bytes).await else { return false };
        match head(&bytes[..n]) {
            Head::Connect(all) if n >= all => return true,
            Head::Never => return false,
            _ if n == 0 => return false,
            _ => {}
        }
        // A look gives the same bytes at once until there are more.
        sleep(LOOK).await;
    }
}

/// Tells of a trouble now and then, not each time.
#[derive(Debug, Default)]
pub(crate) struct Seldom(Mutex<Option<Instant>>);

impl Seldom {
    /// Whether it is time to tell.
    pub(crate) fn now(&self) -> bool {
        let mut told = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let due = told.is_none_or(|at| at.elapsed() >= limits::TELL_AGAIN);
        if due {
            *told = Some(Instant::now());
        }
        due
    }
}

/// Takes connections until the task ends; `prepare` waits for the CONNECT, `serve` has the connection until its end.
pub(crate) async fn stand<P, S>(
    listener: TcpListener,
    census: Arc<Census>,
    prepare: impl Fn(TcpStream) -> P,
    serve: impl Fn(BrokerTransport, SocketAddr, Arc<Place>) -> S + Send + Sync + 'static,
) where
    P: Future<Output = Option<BrokerTransport>> + Send + 'static,
    S: Future<Output = ()> + Send + 'static,
{
    let (full, trouble) = (Seldom::default(), Seldom::default());
    let serve = Arc::new(serve);
    loop {
        let (stream, from) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(source) => {
                if trouble.now() {
                    tracing::warn!("{}", not_taken(&source));
                }
                sleep(limits::ACCEPT_AGAIN).await;
                continue;
            }
        };
        let place = match census.enter(from.ip()) {
            Ok(place) => Arc::new(place),
            Err(why) => {
                if full.now() {
                    tracing::warn!(
                        %from,
                        "a connection to the broker inside was closed at once: there are {why}; look for a device that connects again and \
                         again, or give a large site a broker of its own"
                    );
                }
                continue;
            }
        };
        // A probe that is cut off must not wait for another packet to be sent.
        let _ = stream.set_nodelay(true);
        let (prepared, serve) = (prepare(stream), Arc::clone(&serve));
        tokio::spawn(async move {
            if let Ok(Some(transport)) = timeout(limits::CONNECT_SENT_WITHIN, prepared).await {
                serve(transport, from, place).await;
            }
        });
    }
}

/// Words for a connection that could not be taken.
fn not_taken(source: &io::Error) -> String {
    format!(
        "a connection to the broker inside could not be taken ({source}), and is tried again; if it says that too many files are open, raise \
         `LimitNOFILE=` of the service, or `ulimit -n`"
    )
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn address(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    #[test]
    fn places_are_counted_and_come_back() {
        let census = Census::new(usize::MAX);
        let mut waiting: Vec<Place> = Vec::new();
        while let Ok(place) = census.enter(address(1)) {
            waiting.push(place);
        }
        assert_eq!(waiting.len(), limits::UNPROVEN_PER_ADDRESS, "one address that says nothing");
        let other = census.enter(address(2)).unwrap();
        assert!(other.proven(Some("north-1")));
        drop(waiting);
        let mut inside: Vec<Place> = Vec::new();
        while let Ok(place) = census.enter(address(1)) {
            assert!(place.proven(None));
            inside.push(place);
        }
        assert_eq!(inside.len(), limits::CONNECTIONS_PER_ADDRESS, "one address that is known");
        let mut others: Vec<Place> = Vec::new();
        for last in 3..=u8::MAX {
            while let Ok(place) = census.enter(address(last)) {
                place.proven(None);
                others.push(place);
            }
        }
        assert_eq!(inside.len() + others.len() + 1, limits::CONNECTIONS, "all of them");
        drop((inside, others, other));
        let counts = census.counts.lock().unwrap();
        assert_eq!((counts.all, counts.unproven), (0, 0));
        assert!(counts.by_address.is_empty() && counts.by_user.is_empty());
    }

    #[test]
    fn a_user_has_no_more_than_a_share() {
        let census = Census::new(usize::MAX);
        let mut inside = Vec::new();
        for n in 0..limits::CONNECTIONS_PER_USER {
            let place = census.enter(address((n / 400) as u8)).unwrap();
            assert!(place.proven(Some("panel")));
            inside.push(place);
        }
        assert!(!census.enter(address(200)).unwrap().proven(Some("panel")));
        assert!(census.enter(address(200)).unwrap().proven(Some("north-1")));
    }

    #[test]
    fn an_ipv6_network_is_one_address() {
        for (a, b, one) in [
            ("2001:db8::1", "2001:db8::ffff", true),
            ("2001:db8::1", "2001:db8:0:1::1", false),
            ("::ffff:192.0.2.1", "192.0.2.1", true),
            ("192.0.2.1", "192.0.2.2", false),
        ] {
            assert_eq!(network(a.parse().unwrap()) == network(b.parse().unwrap()), one, "{a} {b}");
        }
    }

    #[test]
    fn the_head_of_a_connect_is_told_from_anything_else() {
        for (bytes, want, why) in [
            (&b""[..], Head::More, "nothing"),
            (b"\x10", Head::More, "half"),
            (b"\x10\x0C", Head::Connect(14), "short"),
            (b"\x10\x80\x02", Head::Connect(259), "two bytes of length"),
            (b"\x10\x80", Head::More, "the length goes on"),
            (b"\x10\xFF\xFF\xFF\x7F", Head::Never, "256 MB"),
            (b"\x10\x80\x80\x80\x80", Head::Never, "no length at all"),
            (b"\x11\x0C", Head::Never, "flags"),
            (b"\xE0\x00", Head::Never, "a goodbye"),
            (b"GET / HTTP/1.1", Head::Never, "another protocol"),
        ] {
            assert_eq!(head(bytes), want, "{why}");
        }
    }
}
