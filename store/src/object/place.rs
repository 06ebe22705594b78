//! Where kept originals lie: a folder, or a bucket of an S3-compatible store, so that several machines share no disk.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use object_store::aws::AmazonS3Builder;
use object_store::local::LocalFileSystem;
use object_store::prefix::PrefixStore;
use object_store::{BackoffConfig, ClientOptions, ObjectStore, RetryConfig};

use super::table_cache::TableCache;
use crate::StoreError;

/// What is said about the place of the kept originals.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct ObjectSettings {
    /// `s3://bucket/prefix`, or empty for the folder `objects` in the data folder.
    pub place: String,
    /// Address of the S3-compatible service; empty for the one that the region names.
    pub endpoint: String,
    /// Its region; empty for us-east-1, which services of other makers take.
    pub region: String,
    /// The name of the key by which it is used.
    pub key_id: String,
    /// The secret of that key.
    pub secret: String,
    /// The token of a key that is lent for a while, or empty.
    pub token: String,
    /// Whether an endpoint without TLS is meant.
    pub plain_http: bool,
}

/// Neither the secret nor the token.
impl std::fmt::Debug for ObjectSettings {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("ObjectSettings")
            .field("place", &self.place)
            .field("endpoint", &self.endpoint)
            .field("region", &self.region)
            .field("key_id", &self.key_id)
            .field("plain_http", &self.plain_http)
            .finish_non_exhaustive()
    }
}

/// An opened place.
#[derive(Debug, Clone)]
pub(crate) struct Objects {
    pub(super) store: Arc<dyn ObjectStore>,
    /// The place as it was named, where it is a bucket.
    bucket: Option<Arc<str>>,
    pub(super) tables: Arc<TableCache>,
}

/// An answer that does not go on for so long is asked for again.
const READ_TIMEOUT: Duration = Duration::from_secs(30);
const CONNECT_TIMEOUT: Duration = Duration::from_secs(5);
/// A request that fails for a passing reason is made again so often, within so long; a job is then tried again later.
const RETRIES: usize = 6;
const RETRY_FOR: Duration = Duration::from_secs(60);
/// The region that services without regions take.
const REGION: &str = "us-east-1";

impl Objects {
    /// Opens the place. Nothing is asked of a bucket yet: what does not need the originals works without them.
    pub(crate) fn open(settings: &ObjectSettings, folder: &Path) -> Result<Objects, StoreError> {
        if settings.place.is_empty() {
            std::fs::create_dir_all(folder)
                .map_err(|cause| StoreError::File { path: folder.display().to_string(), cause })?;
            super::sweep(folder);
            let store = LocalFileSystem::new_with_prefix(folder)
                .map_err(|cause| StoreError::Object { key: folder.display().to_string(), cause })?
                .with_fsync(true);
            return Ok(Objects { store: Arc::new(store), bucket: None, tables: Arc::default() });
        }
        let (bucket, prefix) = checked(settings)?;
        // a second one within the process finds it in place
        let _in_place = rustls::crypto::ring::default_provider().install_default();
        let client = ClientOptions::new()
            .with_connect_timeout(CONNECT_TIMEOUT)
            .with_read_timeout(READ_TIMEOUT)
            // an original of many gigabytes takes as long as it takes
            .with_timeout_disabled();
        let retry =
            RetryConfig { backoff: BackoffConfig::default(), max_retries: RETRIES, retry_timeout: RETRY_FOR };
        let region = if settings.region.is_empty() { REGION } else { &settings.region };
        let mut builder = AmazonS3Builder::new()
            .with_bucket_name(bucket)
            .with_region(region)
            .with_access_key_id(&settings.key_id)
            .with_secret_access_key(&settings.secret)
            // after the options of the client, which would take its place
            .with_client_options(client)
            .with_allow_http(settings.plain_http)
            .with_retry(retry);
        if !settings.token.is_empty() {
            builder = builder.with_token(&settings.token);
        }
        if !settings.endpoint.is_empty() {
            builder = builder.with_endpoint(&settings.endpoint);
        }
        let s3 = builder
            .build()
            .map_err(|e| StoreError::Settings(format!("objects {} cannot be used: {e}", settings.place)))?;
        let store: Arc<dyn ObjectStore> = match prefix {
            "" => Arc::new(s3),
            prefix => Arc::new(PrefixStore::new(s3, prefix)),
        };
        Ok(Objects { store, bucket: Some(settings.place.as_str().into()), tables: Arc::default() })
    }

    /// Whether the originals lie in a bucket.
    pub(super) fn in_bucket(&self) -> bool {
        self.bucket.is_some()
    }

    /// An error of the place by what mends it.
    #[expect(clippy::wildcard_enum_match_arm, reason = "a foreign enum that may grow")]
    pub(super) fn failed(&self, key: &str, cause: object_store::Error) -> StoreError {
        let Some(bucket) = &self.bucket else { return StoreError::Object { key: key.to_owned(), cause } };
        let about = |why: &str| {
            StoreError::Settings(format!("the kept originals in {bucket} cannot be reached: {why}"))
        };
        match &cause {
            object_store::Error::Unauthenticated { .. } | object_store::Error::PermissionDenied { .. } => {
                about(
                    "the service refuses the key: correct objects_key_id and objects_secret, or what the key may do",
                )
            }
            _ if says(&cause, "NoSuchBucket") => {
                about("there is no such bucket: make it, or correct objects and objects_endpoint")
            }
            _ if says(&cause, "InvalidAccessKeyId") || says(&cause, "SignatureDoesNotMatch") => {
                about("the service does not know the key: correct objects_key_id and objects_secret")
            }
            _ => StoreError::Object { key: key.to_owned(), cause },
        }
    }
}

/// Whether an answer of the service, somewhere beneath an error, has a word in it.
fn says(error: &object_store::Error, word: &str) -> bool {
    let mut cause: Option<&dyn std::error::Error> = Some(error);
    while let Some(error) = cause {
        if error.to_string().contains(word) {
            return true;
        }
        cause = error.source();
    }
    false
}

/// Bucket and prefix of settings that can be used.
fn checked(settings: &ObjectSettings) -> Result<(&str, &str), StoreError> {
    let wrong = |why: &str| Err(StoreError::Settings(why.to_owned()));
    let Some(rest) = settings.place.strip_prefix("s3://") else {
        return wrong("objects is neither empty nor s3://BUCKET/PREFIX: correct the setting");
    };
    let (bucket, prefix) = rest.split_once('/').unwrap_or((rest, ""));
    if bucket.is_empty() || bucket.contains(['?', '@', ':']) {
        return wrong(
            "objects names no bucket: give s3://BUCKET or s3://BUCKET/PREFIX, and the rest as objects_endpoint and the like",
        );
    }
    if settings.key_id.is_empty() || settings.secret.is_empty() {
        return wrong(
            "objects is a bucket and there is no key for it: set CROSSFOOT_OBJECTS_KEY_ID and CROSSFOOT_OBJECTS_SECRET",
        );
    }
    let endpoint = settings.endpoint.as_str();
    if endpoint.starts_with("http://") && !settings.plain_http {
        return wrong(
            "objects_endpoint is plain http, over which everybody on the way reads along: give https, or say objects_plain_http = true",
        );
    }
    if !endpoint.is_empty() && !endpoint.starts_with("http://") && !endpoint.starts_with("https://") {
        return wrong("objects_endpoint is no address: give https://HOST or https://HOST:PORT");
    }
    if endpoint.contains('@') {
        return wrong(
            "objects_endpoint holds a name or password: give them as objects_key_id and objects_secret",
        );
    }
    Ok((bucket, prefix.trim_matches('/')))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn settings(place: &str) -> ObjectSettings {
        ObjectSettings {
            place: place.to_owned(),
            key_id: "ID".to_owned(),
            secret: "not-to-be-shown".to_owned(),
            token: "nor-this".to_owned(),
            ..ObjectSettings::default()
        }
    }

    fn refusal(settings: &ObjectSettings) -> String {
        match checked(settings) {
            Err(StoreError::Settings(why)) => why,
            other => panic!("{other:?}"),
        }
    }

    #[test]
    fn a_place_is_read_with_and_without_a_prefix() {
        assert_eq!(checked(&settings("s3://rolls")).unwrap(), ("rolls", ""));
        assert_eq!(checked(&settings("s3://rolls/a/b/")).unwrap(), ("rolls", "a/b"));
    }

    #[test]
    fn what_cannot_be_used_says_the_mend() {
        assert!(refusal(&settings("gs://rolls")).contains("s3://BUCKET/PREFIX"));
        assert!(refusal(&settings("s3:///rolls")).contains("names no bucket"));
        let keyless = ObjectSettings { secret: String::new(), ..settings("s3://rolls") };
        assert!(refusal(&keyless).contains("CROSSFOOT_OBJECTS_SECRET"));
        let plain = ObjectSettings { endpoint: "http://store:9000".to_owned(), ..settings("s3://rolls") };
        assert!(refusal(&plain).contains("objects_plain_http"));
        assert!(checked(&ObjectSettings { plain_http: true, ..plain }).is_ok());
        let inside = ObjectSettings { endpoint: "https://me:pw@store".to_owned(), ..settings("s3://rolls") };
        assert!(!refusal(&inside).contains("pw"));
    }

    #[test]
    fn a_secret_is_not_shown() {
        let shown = format!("{:?}", settings("s3://rolls"));
        assert!(shown.contains("ID") && !shown.contains("shown\"") && !shown.contains("nor-this"), "{shown}");
    }
}
