//! What clients of the broker inside leave on the disk: sessions and what waits for them. They have an end in time, in number and in room.
//!
//! Must never follow a link, and never take the disk from the store of readings.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Weak};

use mqtt5::broker::router::MessageRouter;
use mqtt5::broker::storage::{DynamicStorage, StorageBackend};
use tokio::time::Instant;

use crate::doorkeeper::Doorkeeper;
use crate::holdings::shown;
use crate::limits;

/// Folders within folders that the library makes, and some more.
pub(crate) const LINKS_LOOKED_FOR_DEEP: u32 = 6;

/// Whether a path is a link, or a folder with one in it; what lies deeper than any folder of the library's counts as one.
pub(crate) fn holds_a_link(path: &Path, deep: u32) -> bool {
    match std::fs::symlink_metadata(path) {
        Ok(found) if found.is_symlink() => true,
        Ok(found) if found.is_dir() => {
            let inside = std::fs::read_dir(path).into_iter().flatten().flatten();
            deep == 0 || inside.map(|entry| entry.path()).any(|path| holds_a_link(&path, deep - 1))
        }
        _ => false,
    }
}

/// Moves a folder of sessions that the library cannot read out of its own way; says whether it did. Nothing in it was ever promised to
/// anybody: probes connect anew and send again what they got no answer for, and what is retained is published again.
pub(crate) fn set_aside(folder: &Path, why: &str) -> bool {
    let aside = (1..100).map(|n| folder.with_extension(format!("unreadable-{n}"))).find(|path| !path.exists());
    let Some(aside) = aside else { return false };
    let moved = std::fs::rename(folder, &aside).is_ok();
    if moved {
        tracing::warn!(
            "the sessions of the broker inside cannot be read ({why}); they were moved to {}, and clients connect anew",
            aside.display()
        );
    }
    moved
}

/// Looks after what clients leave on the disk, for as long as the broker is there.
pub(crate) async fn sweep(
    router: Arc<MessageRouter>,
    storage: Weak<DynamicStorage>,
    keeper: Arc<Doorkeeper>,
    folder: Option<PathBuf>,
) {
    let mut turns = tokio::time::interval(limits::QUEUES_LOOKED_AT_EVERY);
    let mut tidied: Option<Instant> = None;
    loop {
        turns.tick().await;
        let Some(storage) = storage.upgrade() else { return };
        let turn = async {
            if tidied.is_none_or(|at| at.elapsed() >= limits::SWEEP_EVERY) {
                tidied = Some(Instant::now());
                tidy_sessions(&router, &storage, &keeper).await;
            }
            if let Some(folder) = &folder {
                make_room(&router, &storage, folder, limits::QUEUES_ON_DISK).await;
            }
        };
        if let Err(panic) = fence::awaited(turn).await {
            tracing::error!(
                "looking after the sessions of the broker inside failed: {panic}; report this with the log"
            );
        }
    }
}

/// Ends sessions past their time, and forgets who had them.
async fn tidy_sessions(router: &MessageRouter, storage: &DynamicStorage, keeper: &Doorkeeper) {
    if let Err(source) = storage.cleanup_expired().await {
        tracing::warn!("the broker inside cannot tidy its sessions: {source}; look at the disk of the data folder");
    }
    router.sweep_sessions().await;
    let Ok(clients) = storage.session_client_ids().await else { return };
    keeper.holdings.still_there(&clients.into_iter().collect::<BTreeSet<_>>());
}

/// Ends the sessions with the fullest queues where all of them together take more of the disk than they may. Who listens can ask anew;
/// the store of readings needs the disk more.
async fn make_room(router: &MessageRouter, storage: &DynamicStorage, folder: &Path, most: u64) {
    let queues = folder.join("queues");
    let Ok(mut fullest) = tokio::task::spawn_blocking(move || on_disk(&queues)).await else { return };
    let mut all: u64 = fullest.iter().map(|(bytes, _)| bytes).sum();
    if all <= most {
        return;
    }
    fullest.sort_by(|a, b| b.cmp(a));
    for (bytes, client) in fullest {
        if all <= most / 2 {
            return;
        }
        // A client that is connected and does not read fills its queue as well.
        router.disconnect_client(&client).await;
        storage.queue_handle(&client).clear(None);
        let ended = end_session(router, storage, &client).await;
        tracing::warn!(
            client = shown(&client),
            "the messages that waited for a client were thrown away with its session: what waits for all clients takes more than {} MB of \
             disk; let it connect and read, or give its session an end{}",
            most >> 20,
            ended.err().map_or_else(String::new, |why| format!(" ({why})"))
        );
        all = all.saturating_sub(bytes);
    }
}

/// The bytes of disk, in whole blocks, that each client's queue takes.
fn on_disk(queues: &Path) -> Vec<(u64, String)> {
    use std::os::unix::fs::MetadataExt;
    let entries = |folder: &Path| std::fs::read_dir(folder).into_iter().flatten().flatten();
    let client = |folder: std::fs::DirEntry| {
        let files = entries(&folder.path());
        // What goes away while we look needs no room.
        let bytes = files.filter_map(|file| file.metadata().ok()).map(|file| file.blocks() * 512).sum();
        Some((bytes, folder.file_name().into_string().ok()?))
    };
    entries(queues).filter_map(client).collect()
}

/// Takes away the session of a client that is not connected, with all that waits for it.
pub(crate) async fn end_session(router: &MessageRouter, storage: &DynamicStorage, client: &str) -> mqtt5::Result<()> {
    let slot = router.lock_session(client).await;
    if router.is_connected(client).await {
        return Ok(());
    }
    storage.remove_session(client).await?;
    router.set_client_subscriptions(&slot, None).await?;
    storage.queue_handle(client).clear(None);
    storage.remove_all_inflight_messages(client).await
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use std::time::Duration;

    use mqtt5::QoS;
    use mqtt5::broker::storage::{FileBackend, QueuedMessage};
    use mqtt5::packet::publish::PublishPacket;
    use tokio::time::timeout;

    use super::*;

    #[test]
    fn sessions_with_a_link_in_them_are_moved_out_of_the_way_and_what_it_leads_to_is_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let (sessions, target) = (folder.path().join("broker"), folder.path().join("target"));
        std::fs::create_dir_all(sessions.join("retained/of/a/client")).unwrap();
        std::fs::write(&target, "somebody else's").unwrap();
        assert!(!holds_a_link(&sessions, LINKS_LOOKED_FOR_DEEP), "as the library leaves it");
        std::os::unix::fs::symlink(&target, sessions.join("retained/of/a/client/x")).unwrap();
        assert!(holds_a_link(&sessions, LINKS_LOOKED_FOR_DEEP));
        assert!(holds_a_link(&sessions, 1), "what is too deep counts as one");
        assert!(set_aside(&sessions, "a link is in it"));
        assert!(!sessions.exists() && folder.path().join("broker.unreadable-1/retained").exists());
        assert_eq!(std::fs::read_to_string(&target).unwrap(), "somebody else's");
        std::os::unix::fs::symlink(&target, &sessions).unwrap();
        assert!(holds_a_link(&sessions, LINKS_LOOKED_FOR_DEEP), "the folder itself may be one");
        assert!(set_aside(&sessions, "it is one"));
        assert!(target.exists() && !holds_a_link(&folder.path().join("nowhere"), 1));
    }

    async fn flushed(storage: &DynamicStorage) {
        match storage {
            DynamicStorage::File(files) => files.flush_queue_writes().await,
            DynamicStorage::Memory(_) => panic!("it is on the disk here"),
        }
    }

    #[tokio::test]
    async fn what_waits_for_all_clients_has_one_bound_on_disk_and_the_fullest_queue_goes_first() {
        let folder = tempfile::tempdir().unwrap();
        let storage = DynamicStorage::File(FileBackend::new(folder.path()).await.unwrap());
        let router = MessageRouter::new();
        for (client, messages) in [("panel-a", 4), ("panel-b", 40), ("panel-c", 12)] {
            for n in 0..messages {
                let packet = PublishPacket::new(format!("yard/{n}"), vec![b'x'; 1_000], QoS::AtLeastOnce);
                let waits = QueuedMessage::new(packet, client.to_owned(), QoS::AtLeastOnce, None);
                storage.queue_message(waits).await.unwrap();
            }
        }
        let queues = folder.path().join("queues");
        let waiting = || {
            let mut all = on_disk(&queues);
            all.retain(|(bytes, _)| *bytes > 0);
            all.sort_by(|a, b| a.1.cmp(&b.1));
            all
        };
        let comes_to = async |clients: usize, what: &str| {
            let seen = timeout(Duration::from_secs(20), async {
                let mut turns = tokio::time::interval(Duration::from_millis(20));
                while waiting().len() != clients {
                    turns.tick().await;
                }
            });
            assert!(seen.await.is_ok(), "{what}: {:?}", waiting());
        };
        flushed(&storage).await;
        comes_to(3, "all of it is written").await;
        let all: u64 = waiting().iter().map(|(bytes, _)| bytes).sum();
        assert!(all >= 56 * 4_096, "each message takes a block at least: {all}");

        make_room(&router, &storage, folder.path(), all).await;
        flushed(&storage).await;
        assert_eq!(waiting().len(), 3, "there is room for all");

        make_room(&router, &storage, folder.path(), all - 1).await;
        flushed(&storage).await;
        comes_to(2, "the fullest made room").await;
        let left: Vec<String> = waiting().into_iter().map(|(_, client)| client).collect();
        assert_eq!(left, ["panel-a", "panel-c"]);
    }
}
