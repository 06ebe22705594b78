//! `crossfoot serve`: the HTTP service.

use std::sync::Arc;

use crossfoot_store::Backend;
use crossfoot_worker::Nightly;
use crossfoot_worker::settings::Settings;
use tokio_util::sync::CancellationToken;

use crate::arguments::{JobsHere, Serve};
use crate::http::{self, App, Limits};
use crate::installation::Installation;
use crate::outcome::{Outcome, say};
use crate::packets::Press;

/// Serves until SIGTERM or SIGINT.
pub(crate) async fn run(settings: &Settings, serve: &Serve) -> anyhow::Result<Outcome> {
    let installation = Installation::open(settings).await?;
    let listener = http::bind(serve.address, serve.port).await?;
    say(&format!("crossfoot listens on http://{}\n", listener.local_addr()?))?;
    let stop = CancellationToken::new();
    tokio::spawn(stop_on_signal(stop.clone()));
    let jobs = match serve.jobs {
        JobsHere::Auto => installation.store.backend() == Backend::Sqlite,
        JobsHere::Yes => true,
        JobsHere::No => false,
    };
    let worker = installation.worker.clone();
    let working = jobs.then(|| {
        tokio::spawn({
            let (worker, stop) = (worker.clone(), stop.clone());
            let nightly = Nightly::new(installation.store.clone(), settings.pace());
            async move { tokio::join!(worker.run_until(stop.clone()), nightly.run_until(stop)) }
        })
    });
    let limits = Limits {
        secure_cookies: !serve.plain_http,
        upload_bytes: serve.upload_bytes,
        requests_a_minute: serve.requests_a_minute,
        idle_seconds: serve.idle_seconds,
        ..Limits::default()
    };
    let app =
        App { store: installation.store.clone(), worker, limits: Arc::new(limits), press: Press::default() };
    http::serve(listener, app, stop).await?;
    if let Some(working) = working {
        working.await?;
    }
    installation.store.close().await;
    Ok(Outcome::Done)
}

async fn stop_on_signal(stop: CancellationToken) {
    use tokio::signal::unix::{SignalKind, signal};
    if let (Ok(mut terminate), Ok(mut interrupt)) =
        (signal(SignalKind::terminate()), signal(SignalKind::interrupt()))
    {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        stop.cancel();
    }
}
