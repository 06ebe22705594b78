//! `crossfoot-worker`: jobs of an installation on a machine of their own. Several work on one PostgreSQL.

use std::path::PathBuf;

use anyhow::Context as _;
use clap::Parser;
use crossfoot_store::Store;
use crossfoot_worker::settings::{Flags, Settings};
use crossfoot_worker::{Nightly, Progress, Worker};
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tracing_subscriber::EnvFilter;

/// Runs the jobs of a crossfoot installation: loading editions, reconciling, and what is scheduled.
#[derive(Parser)]
#[command(version)]
struct Arguments {
    /// A file of settings; crossfoot.toml in this folder if not named.
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    #[command(flatten)]
    flags: Flags,
    /// End when no job is left, instead of waiting for more.
    #[arg(long)]
    drain: bool,
}

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let arguments = Arguments::parse();
    let settings = Settings::read(arguments.config.as_deref(), &arguments.flags)?;
    tracing_subscriber::fmt()
        .json()
        .with_writer(std::io::stderr)
        .with_env_filter(EnvFilter::try_new(&settings.log).context("the filter of the log")?)
        .init();
    let stop = CancellationToken::new();
    if !arguments.drain {
        // listened to from the first moment on: a supervisor may think better of it at once
        let signals = [signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?];
        tokio::spawn(stop_on_signal(signals, stop.clone()));
    }
    tracing::info!("the worker starts");
    let store = Store::open(&settings.store()).await.context("the store cannot be opened")?;
    let worker = Worker::new(store.clone(), settings.lease_seconds)?.fetching_from(settings.fetch_rules()?);
    if arguments.drain {
        worker.drain(&Progress::default()).await?;
    } else {
        let nightly = Nightly::new(store.clone(), settings.pace());
        tokio::join!(worker.run_until(stop.clone()), nightly.run_until(stop));
    }
    store.close().await;
    Ok(())
}

/// A running job is finished first; one that takes too long for the supervisor is taken up by another worker.
async fn stop_on_signal([mut terminate, mut interrupt]: [Signal; 2], stop: CancellationToken) {
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    stop.cancel();
}
