//! `crossfoot serve`: the HTTP service.

use std::sync::Arc;

use crossfoot_store::Backend;
use crossfoot_worker::Nightly;
use crossfoot_worker::settings::Settings;
use tokio::net::TcpListener;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio_util::sync::CancellationToken;

use crate::arguments::{JobsHere, Serve};
use crate::http::{self, App, Limits};
use crate::installation::Installation;
use crate::outcome::{Outcome, say};
use crate::packets::Press;

/// Serves until SIGTERM or SIGINT.
pub(crate) async fn run(settings: &Settings, serve: &Serve) -> anyhow::Result<Outcome> {
    let stop = stop_on_signals()?;
    let installation = Installation::open(settings).await?;
    let listener = http::bind(serve.address, serve.port).await?;
    say(&format!("crossfoot listens on http://{}\n", listener.local_addr()?))?;
    let jobs = match serve.jobs {
        JobsHere::Auto => installation.store.backend() == Backend::Sqlite,
        JobsHere::Yes => true,
        JobsHere::No => false,
    };
    let limits = Limits {
        secure_cookies: !serve.plain_http,
        body_bytes: serve.body_bytes,
        upload_bytes: serve.upload_bytes,
        requests_a_minute: serve.requests_a_minute,
        idle_seconds: serve.idle_seconds,
        answer_seconds: serve.answer_seconds,
        leave_seconds: serve.leave_seconds,
    };
    until_stopped(settings, installation, listener, Serving { limits, jobs, stop }).await
}

/// How the service is to run.
pub(crate) struct Serving {
    /// What requests may be.
    pub(crate) limits: Limits,
    /// Whether jobs are run here too.
    pub(crate) jobs: bool,
    /// When to end.
    pub(crate) stop: CancellationToken,
}

/// Serves, and runs jobs beside, until told to stop.
pub(crate) async fn until_stopped(
    settings: &Settings,
    installation: Installation,
    listener: TcpListener,
    serving: Serving,
) -> anyhow::Result<Outcome> {
    let Serving { limits, jobs, stop } = serving;
    let worker = installation.worker.clone();
    let working = jobs.then(|| {
        tokio::spawn({
            let (worker, stop) = (worker.clone(), stop.clone());
            let nightly = Nightly::new(installation.store.clone(), settings.pace());
            async move { tokio::join!(worker.run_until(stop.clone()), nightly.run_until(stop)) }
        })
    });
    let app =
        App { store: installation.store.clone(), worker, limits: Arc::new(limits), press: Press::default() };
    http::serve(listener, app, stop).await?;
    if let Some(working) = working {
        working.await?;
    }
    installation.store.close().await;
    Ok(Outcome::Done)
}

/// Cancelled by SIGTERM or SIGINT, which are listened to from now on.
pub(crate) fn stop_on_signals() -> std::io::Result<CancellationToken> {
    let stop = CancellationToken::new();
    let signals = [signal(SignalKind::terminate())?, signal(SignalKind::interrupt())?];
    tokio::spawn(stop_on(signals, stop.clone()));
    Ok(stop)
}

async fn stop_on([mut terminate, mut interrupt]: [Signal; 2], stop: CancellationToken) {
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    stop.cancel();
}
