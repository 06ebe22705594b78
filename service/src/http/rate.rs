//! How many requests a key, or an address without one, may send: a bucket of tokens each, filled evenly.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Instant;

use axum::extract::{ConnectInfo, Request, State};
use axum::http::header;
use axum::middleware::Next;
use axum::response::Response;
use sha2::{Digest as _, Sha256};

use super::problem::{Kind, Problem};

/// Buckets kept at the most; beyond it those that are full again are forgotten.
const BUCKETS_MAX: usize = 10_000;

/// The buckets of all who came.
#[derive(Debug)]
pub(crate) struct Buckets {
    a_minute: f64,
    by_name: Mutex<HashMap<String, Bucket>>,
}

#[derive(Debug, Clone, Copy)]
struct Bucket {
    tokens: f64,
    at: Instant,
}

impl Buckets {
    /// Buckets of so many requests a minute each.
    pub(crate) fn new(a_minute: u32) -> Arc<Buckets> {
        Arc::new(Buckets { a_minute: f64::from(a_minute.max(1)), by_name: Mutex::new(HashMap::new()) })
    }

    /// Takes a token, or says after how many seconds there is one.
    fn take(&self, name: String, now: Instant) -> Result<(), u32> {
        let mut buckets = self.by_name.lock().unwrap_or_else(PoisonError::into_inner);
        let a_second = self.a_minute / 60.0;
        let full = self.a_minute;
        let filled = |bucket: &Bucket| {
            (bucket.tokens + now.saturating_duration_since(bucket.at).as_secs_f64() * a_second).min(full)
        };
        if buckets.len() >= BUCKETS_MAX {
            buckets.retain(|_, bucket| filled(bucket) < full);
        }
        let bucket = buckets.entry(name).or_insert(Bucket { tokens: full, at: now });
        bucket.tokens = filled(bucket);
        bucket.at = now;
        if bucket.tokens < 1.0 {
            #[expect(
                clippy::cast_possible_truncation,
                clippy::cast_sign_loss,
                reason = "between 1 and 60 seconds"
            )]
            return Err(((1.0 - bucket.tokens) / a_second).ceil().max(1.0) as u32);
        }
        bucket.tokens -= 1.0;
        Ok(())
    }
}

/// Refuses who sends more than is allowed.
pub(crate) async fn limit(
    State(buckets): State<Arc<Buckets>>,
    request: Request,
    next: Next,
) -> Result<Response, Problem> {
    let name = match request.headers().get(header::AUTHORIZATION) {
        Some(key) => hex::encode(Sha256::digest(key.as_bytes())),
        None => address(&request),
    };
    match buckets.take(name, Instant::now()) {
        Ok(()) => Ok(next.run(request).await),
        Err(seconds) => Err(Problem::new(
            Kind::TooMany,
            format!("more than {} requests a minute: wait {seconds} s", buckets.a_minute),
        )
        .retry_after(seconds)),
    }
}

/// Takes a token of the address that a request comes from, whatever key it names, or gives the refusal.
pub(crate) fn of_address(buckets: &Buckets, request: &Request) -> Result<(), Problem> {
    buckets.take(address(request), Instant::now()).map_err(|seconds| {
        let detail = format!("more than {} attempts a minute from here: wait {seconds} s", buckets.a_minute);
        Problem::new(Kind::TooMany, detail).retry_after(seconds)
    })
}

fn address(request: &Request) -> String {
    let peer = request.extensions().get::<ConnectInfo<SocketAddr>>();
    peer.map_or_else(String::new, |ConnectInfo(peer)| peer.ip().to_string())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::Duration;

    #[test]
    fn a_bucket_empties_and_fills_again_and_says_when() {
        let buckets = Buckets::new(60);
        let start = Instant::now();
        for _ in 0..60 {
            assert_eq!(buckets.take("a".to_owned(), start), Ok(()));
        }
        assert_eq!(buckets.take("a".to_owned(), start), Err(1));
        assert_eq!(buckets.take("b".to_owned(), start), Ok(()));
        assert_eq!(buckets.take("a".to_owned(), start + Duration::from_secs(1)), Ok(()));
        assert_eq!(buckets.take("a".to_owned(), start + Duration::from_secs(1)), Err(1));
    }
}
