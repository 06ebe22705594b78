//! Evidence packets for the API, the pages and the command: data from the store, sealed beside the requests.

use std::sync::Arc;

use crossfoot_packet::{Packet, PacketData, SealError, seal};
use crossfoot_store::queue::PairView;
use crossfoot_store::{Store, StoreError};
use crossfoot_worker::{EvidenceError, Worker, evidence};
use tokio::sync::{AcquireError, Semaphore};

/// Documents set at the same time: each takes a processor and some ten megabytes while it is set.
const SET_AT_ONCE: usize = 2;

/// The places in which packets are made.
#[derive(Debug, Clone)]
pub(crate) struct Press(Arc<Semaphore>);

impl Default for Press {
    fn default() -> Press {
        Press(Arc::new(Semaphore::new(SET_AT_ONCE)))
    }
}

/// Why no packet was made.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PacketError {
    /// The pair has no finding.
    #[error("there is no finding on this pair: nothing was material")]
    NoFinding,
    /// There is no evidence on it as it stands.
    #[error(transparent)]
    Evidence(#[from] EvidenceError),
    /// The data make no packet.
    #[error("no packet can be made: {0}")]
    Seal(#[from] SealError),
    /// The program is stopping, or the making broke off.
    #[error("the packet was not finished: try again")]
    BrokenOff,
}

impl From<StoreError> for PacketError {
    fn from(error: StoreError) -> PacketError {
        PacketError::Evidence(error.into())
    }
}

impl From<AcquireError> for PacketError {
    fn from(_: AcquireError) -> PacketError {
        PacketError::BrokenOff
    }
}

impl Press {
    /// The packet of a pair with a finding, and the document in it.
    pub(crate) async fn packet(
        &self,
        store: &Store,
        worker: &Worker,
        office: &str,
        pair: &PairView,
    ) -> Result<Packet, PacketError> {
        let data = data(store, worker, office, pair).await?;
        self.set(move || seal(&data)).await
    }

    /// The document of a pair with a finding, and the name of its file.
    pub(crate) async fn document(
        &self,
        store: &Store,
        worker: &Worker,
        office: &str,
        pair: &PairView,
    ) -> Result<(String, Vec<u8>), PacketError> {
        let data = data(store, worker, office, pair).await?;
        self.set(move || crossfoot_packet::document_of(&data)).await
    }

    async fn set<T: Send + 'static>(
        &self,
        make: impl FnOnce() -> Result<T, SealError> + Send + 'static,
    ) -> Result<T, PacketError> {
        let place = self.0.clone().acquire_owned().await?;
        let made = tokio::task::spawn_blocking(move || {
            let made = make();
            drop(place);
            made
        });
        Ok(made.await.map_err(|_| PacketError::BrokenOff)??)
    }
}

async fn data(
    store: &Store,
    worker: &Worker,
    office: &str,
    pair: &PairView,
) -> Result<PacketData, PacketError> {
    let finding = pair.finding.as_ref().ok_or(PacketError::NoFinding)?;
    Ok(evidence(store, worker.standards(), office, pair, finding).await?)
}
