//! SHA-256 of the bytes of a file, on a thread of its own, so that hashing and parsing run side by side.

use crate::limits::HASH_BUFFERS;
use sha2::{Digest, Sha256};
use std::io;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::JoinHandle;

/// The running hash. Dropping it ends the thread.
#[derive(Debug)]
pub(crate) struct RunningDigest {
    full: SyncSender<Vec<u8>>,
    empty: Receiver<Vec<u8>>,
    thread: JoinHandle<[u8; 32]>,
}

impl RunningDigest {
    pub(crate) fn start() -> io::Result<Self> {
        let (full, to_hash) = sync_channel::<Vec<u8>>(HASH_BUFFERS);
        let (give_back, empty) = sync_channel::<Vec<u8>>(HASH_BUFFERS + 2);
        let thread = std::thread::Builder::new().name("roll-sha256".to_owned()).spawn(move || {
            let mut hash = Sha256::new();
            for buffer in to_hash {
                hash.update(&buffer);
                // Nobody waits for a buffer: if the reader has gone or has enough of them, it is dropped.
                drop(give_back.try_send(buffer));
            }
            hash.finalize().into()
        })?;
        Ok(Self { full, empty, thread })
    }

    pub(crate) fn update(&self, bytes: &[u8]) -> io::Result<()> {
        let mut buffer = self.empty.try_recv().unwrap_or_default();
        buffer.clear();
        buffer.extend_from_slice(bytes);
        self.full.send(buffer).map_err(|_| gone())
    }

    /// The hash as lower-case hex.
    pub(crate) fn finish(self) -> io::Result<String> {
        drop(self.full);
        self.thread.join().map(hex::encode).map_err(|_| gone())
    }
}

fn gone() -> io::Error {
    io::Error::other("the thread that hashes the file has ended early")
}
