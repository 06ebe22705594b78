//! Bodies of any length: written to a file without a name beside the data, hashed on the way. The file is gone as soon
//! as nobody has it open, whatever becomes of the request, the client or this process.

use std::io::{Seek as _, SeekFrom};
use std::time::Duration;

use axum::body::Body;
use axum::http::HeaderMap;
use futures_util::StreamExt as _;
use sha2::{Digest as _, Sha256};
use tokio::io::AsyncWriteExt as _;

use super::App;
use super::problem::{Kind, Problem};

/// A body that arrived whole.
#[derive(Debug)]
pub(crate) struct Arrived {
    /// Its bytes, from the beginning.
    pub(crate) file: std::fs::File,
    /// Its length.
    pub(crate) bytes: u64,
    /// SHA-256 of its bytes, hexadecimal.
    pub(crate) sha256: String,
}

/// Takes a body up to so many bytes.
pub(crate) async fn take(
    app: &App,
    headers: &HeaderMap,
    body: Body,
    most: usize,
) -> Result<Arrived, Problem> {
    let stated = headers.get("content-length").and_then(|v| v.to_str().ok()).and_then(|v| v.parse().ok());
    if stated.is_some_and(|bytes: u64| bytes > most as u64) {
        return Err(too_large(most));
    }
    let file = tempfile::tempfile_in(app.store.data_folder()).map_err(|error| unwritable(&error))?;
    let mut file = tokio::fs::File::from_std(file);
    let (mut hash, mut bytes) = (Sha256::new(), 0u64);
    let mut chunks = body.into_data_stream();
    loop {
        let wait = Duration::from_secs(app.limits.idle_seconds);
        let chunk = match tokio::time::timeout(wait, chunks.next()).await {
            Err(_) => {
                return Err(Problem::new(
                    Kind::TooSlow,
                    format!("nothing came for {} s: send the request again", app.limits.idle_seconds),
                ));
            }
            Ok(None) => break,
            Ok(Some(Err(_))) => {
                return Err(Problem::new(
                    Kind::BadRequest,
                    "the request broke off before its end: send it again",
                ));
            }
            Ok(Some(Ok(chunk))) => chunk,
        };
        bytes += chunk.len() as u64;
        if bytes > most as u64 {
            return Err(too_large(most));
        }
        hash.update(&chunk);
        file.write_all(&chunk).await.map_err(|error| unwritable(&error))?;
    }
    file.flush().await.map_err(|error| unwritable(&error))?;
    let mut file = file.into_std().await;
    file.seek(SeekFrom::Start(0)).map_err(|error| unwritable(&error))?;
    Ok(Arrived { file, bytes, sha256: hex::encode(hash.finalize()) })
}

fn too_large(most: usize) -> Problem {
    Problem::new(Kind::TooLarge, format!("at most {most} bytes are taken at once: send less"))
}

fn unwritable(error: &std::io::Error) -> Problem {
    tracing::error!("an upload cannot be written beside the data: {error}");
    Problem::new(Kind::Internal, "the cause is in the log of the service, under the id of this request")
}
