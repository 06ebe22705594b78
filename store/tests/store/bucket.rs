//! Kept originals in a bucket of an S3-compatible server: moto, in the Python of the oracle, which checks signatures.

use std::time::Instant;

use crossfoot_store::StoreError;
use crossfoot_store::object::{KeptFile, ObjectSettings};
use crossfoot_testbed::{BUCKET, postgres, s3};

use crate::ground::Ground;
use crate::keeping::{file_of, pack, read, receive, roll_bytes, take};

/// Each behaviour on either database, with a prefix of its own.
macro_rules! in_a_bucket {
    ($($behaviour:ident),+ $(,)?) => { $(
        mod $behaviour {
            #[tokio::test(flavor = "multi_thread")]
            async fn on_sqlite() {
                super::$behaviour(super::place(concat!(stringify!($behaviour), "/sqlite")), String::new()).await;
            }
            #[tokio::test(flavor = "multi_thread")]
            async fn on_postgres() {
                let database = super::postgres().fresh_database("bucket");
                super::$behaviour(super::place(concat!(stringify!($behaviour), "/postgres")), database).await;
            }
        }
    )+ };
}

in_a_bucket! {
    an_original_is_received_packed_and_read_from_two_hosts_without_a_shared_disk,
    the_same_bytes_are_sent_once_and_the_plain_ones_go_after_packing,
    a_large_original_goes_in_parts_and_comes_back_whole_and_in_ranges,
    an_original_that_is_not_there_is_named,
}

fn place(prefix: &str) -> ObjectSettings {
    let server = s3();
    ObjectSettings {
        place: format!("s3://{BUCKET}/{prefix}"),
        endpoint: server.endpoint.clone(),
        region: String::new(),
        key_id: server.key_id.clone(),
        secret: server.secret.clone(),
        token: String::new(),
        plain_http: true,
    }
}

/// Object names under the prefix of a test, by other people's client.
fn listed(settings: &ObjectSettings) -> Vec<String> {
    let script = "import boto3, sys\n\
                  endpoint, key, secret, bucket, prefix = sys.argv[1:]\n\
                  s3 = boto3.client('s3', endpoint_url=endpoint, region_name='us-east-1', aws_access_key_id=key,\n\
                  \x20   aws_secret_access_key=secret)\n\
                  found = s3.list_objects_v2(Bucket=bucket, Prefix=prefix + '/')\n\
                  print('\\n'.join(o['Key'][len(prefix) + 1:] for o in found.get('Contents', [])))\n\
                  assert not s3.list_multipart_uploads(Bucket=bucket, Prefix=prefix + '/').get('Uploads')\n";
    let prefix = settings.place.strip_prefix(&format!("s3://{BUCKET}/")).unwrap();
    let mut command = std::process::Command::new(crossfoot_testbed::python());
    command.args(["-c", script, &settings.endpoint, &settings.key_id, &settings.secret, BUCKET, prefix]);
    let out = command.output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8(out.stdout).unwrap().lines().filter(|l| !l.is_empty()).map(str::to_owned).collect()
}

async fn an_original_is_received_packed_and_read_from_two_hosts_without_a_shared_disk(
    objects: ObjectSettings,
    database: String,
) {
    let bytes = roll_bytes();
    let ground = Ground::with_objects(database, objects.clone()).await;
    let kept = take(&ground, "roll", &bytes).await;
    assert!(read(&ground, &kept.object_key).await == bytes);
    assert_eq!(
        ground.object_range(&kept.object_key, 1_048_570, 20).await.unwrap(),
        bytes[1_048_570..1_048_590]
    );
    pack(&ground).await.unwrap();
    // another host: its own data folder, the same bucket
    let other = Ground::with_objects(String::new(), objects.clone()).await;
    let packed = file_of(&ground, "roll").await.object_key;
    assert!(read(&other, &packed).await == bytes);
    for (start, length) in [(0, 1), (1_048_570, 20), (5, 3_000_000), (bytes.len() - 1, 1)] {
        let range = other.object_range(&packed, start as u64, length as u64).await.unwrap();
        assert!(range == bytes[start..start + length], "{start}+{length}");
    }
    // who has the old name finds the new one
    assert_eq!(other.object_range(&kept.object_key, 7, 9).await.unwrap(), bytes[7..16]);
    let beyond = other.object_range(&packed, bytes.len() as u64 - 1, 2).await;
    assert!(matches!(beyond, Err(StoreError::Object { .. })));
    assert!(!ground.settings.data.join("objects").exists(), "nothing of it is on this disk");
    assert_eq!(listed(&objects), [format!("originals/{}.zst", kept.sha256)]);
}

async fn the_same_bytes_are_sent_once_and_the_plain_ones_go_after_packing(
    objects: ObjectSettings,
    database: String,
) {
    let ground = Ground::with_objects(database, objects.clone()).await;
    let kept = take(&ground, "county", b"P,A\n1,2\n").await;
    assert_eq!(listed(&objects), [format!("originals/{}", kept.sha256)]);
    assert_eq!(receive(&ground, b"P,A\n1,2\n").await, kept);
    take(&ground, "schools", b"P,A\n1,2\n").await;
    pack(&ground).await.unwrap();
    pack(&ground).await.unwrap();
    let again = receive(&ground, b"P,A\n1,2\n").await;
    assert_eq!(again.object_key, format!("originals/{}.zst", kept.sha256));
    assert_eq!(listed(&objects), [format!("originals/{}.zst", kept.sha256)]);
    // an empty file is an object too
    let empty = receive(&ground, b"").await;
    assert!(read(&ground, &empty.object_key).await.is_empty());
}

async fn a_large_original_goes_in_parts_and_comes_back_whole_and_in_ranges(
    objects: ObjectSettings,
    database: String,
) {
    let ground = Ground::with_objects(database, objects).await;
    // does not pack: more than two parts plain, and more than two packed
    let bytes: Vec<u8> =
        (0..18_000_000u32).map(|n| (n.wrapping_mul(2_654_435_761).rotate_left(n % 31) >> 24) as u8).collect();
    let kept = take(&ground, "roll", &bytes).await;
    assert!(read(&ground, &kept.object_key).await == bytes);
    pack(&ground).await.unwrap();
    let packed = file_of(&ground, "roll").await.object_key;
    assert!(read(&ground, &packed).await == bytes);
    for start in [0, 8_388_600, 16_777_210, 17_999_980] {
        assert_eq!(ground.object_range(&packed, start, 20).await.unwrap(), bytes[start as usize..][..20]);
    }
}

async fn an_original_that_is_not_there_is_named(objects: ObjectSettings, database: String) {
    let ground = Ground::with_objects(database, objects).await;
    let Err(missing) = ground.object_open("originals/none").await else { panic!("it is there") };
    assert_eq!(missing.to_string(), "the kept original originals/none cannot be read or written");
    assert!(!missing.passes(), "it is not there the next time either");
}

async fn refused(objects: ObjectSettings) -> Vec<StoreError> {
    let ground = Ground::with_objects(String::new(), objects).await;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("roll.csv");
    std::fs::write(&path, "P,A\n").unwrap();
    let received: Result<KeptFile, StoreError> = ground.object_keep(&path).await;
    let Err(opened) = ground.object_open("originals/none").await else { panic!("it is there") };
    vec![received.unwrap_err(), opened]
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bucket_that_is_not_there_is_told_with_the_mend() {
    for error in refused(ObjectSettings { place: "s3://no-such-rolls/x".to_owned(), ..place("x") }).await {
        let text = error.to_string();
        assert!(matches!(error, StoreError::Settings(_)), "{error:?}");
        assert!(text.contains("no such bucket") && text.contains("s3://no-such-rolls/x"), "{text}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_key_and_a_wrong_secret_are_told_with_the_mend_and_without_the_secret() {
    let wrong_key = ObjectSettings { key_id: "AKIANOBODY".to_owned(), ..place("wrong") };
    let wrong_secret = ObjectSettings { secret: "hush-hush".to_owned(), ..place("wrong") };
    for settings in [wrong_key, wrong_secret] {
        for error in refused(settings.clone()).await {
            let text = format!("{error} {error:?}");
            assert!(matches!(error, StoreError::Settings(_)), "{text}");
            assert!(text.contains("objects_key_id and objects_secret"), "{text}");
            assert!(!text.contains(&settings.secret), "{text}");
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_service_that_is_not_heard_is_tried_again_and_then_told_as_passing() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let endpoint = format!("http://{}", listener.local_addr().unwrap());
    drop(listener);
    let ground = Ground::with_objects(String::new(), ObjectSettings { endpoint, ..place("none") }).await;
    let begun = Instant::now();
    let Err(error) = ground.object_open("originals/none").await else { panic!("it is there") };
    assert!(error.passes(), "{error:?}");
    // six more tries with waits that double
    assert!(begun.elapsed().as_millis() > 300 && begun.elapsed().as_secs() < 70, "{:?}", begun.elapsed());
    // what does not need the originals works without them
    assert!(ground.source_list().await.unwrap().is_empty());
}
