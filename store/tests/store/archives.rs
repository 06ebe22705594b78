//! Received files of which several texts are files of their edition.

use crossfoot_store::StoreError;
use crossfoot_store::edition_text::as_received;
use crossfoot_store::in_place::Settled;
use crossfoot_store::job::Claim;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{EditionArrival, EditionNotes, Source};

use crate::ground::{Ground, LEASE, kept, layout};

on_both_databases! {
    an_edition_has_a_file_for_each_text_and_one_original,
    how_the_original_is_kept_stays_with_its_texts,
    who_lost_the_job_notes_no_texts,
    files_read_in_place_are_settled_as_they_were_received,
}

fn file(name: &str) -> KeptFile {
    KeptFile { name: name.to_owned(), ..kept(name) }
}

fn text(file: &KeptFile, within: &str) -> KeptFile {
    KeptFile { within: Some(within.to_owned()), ..file.clone() }
}

async fn staged(ground: &Ground, files: &[KeptFile]) -> (Source, i64, Claim) {
    let source = ground.source_ensure("roll", &layout("roll")).await.unwrap();
    let arrival =
        ground.edition_stage(&source, &layout("roll"), files, &EditionNotes::default()).await.unwrap();
    let EditionArrival::Staged { edition, job } = arrival else { panic!("{arrival:?}") };
    let claim = ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
    (source, edition, claim)
}

/// The texts of an archive and a file beside it.
fn texts() -> [(usize, Option<String>); 3] {
    [(1, Some("b.csv".to_owned())), (1, Some("c.csv".to_owned())), (0, None)]
}

async fn an_edition_has_a_file_for_each_text_and_one_original(ground: &Ground) {
    let (land, zip) = (file("land.csv"), file("roll.zip"));
    let files = [land.clone(), zip.clone()];
    let (source, edition, claim) = staged(ground, &files).await;
    let place = (source.number, edition);
    let now = ground.edition_texts(&claim, place, &files, &texts()).await.unwrap();
    assert_eq!(now, [text(&zip, "b.csv"), text(&zip, "c.csv"), land.clone()]);
    assert_eq!(ground.edition(source.number, edition).await.unwrap().files, now);
    // as after an attempt that was broken off: what was received is what is opened again, and the same comes of it
    let received = as_received(&now);
    assert_eq!(received, [zip.clone(), land.clone()]);
    let again: Vec<(usize, Option<String>)> =
        texts().into_iter().map(|(file, within)| (1 - file, within)).collect();
    assert_eq!(ground.edition_texts(&claim, place, &now, &again).await.unwrap(), now);
    assert_eq!(ground.edition(source.number, edition).await.unwrap().files, now);
    // another layout may read other texts
    let other = [(0, Some("c.csv".to_owned())), (0, Some("d.csv".to_owned())), (1, None)];
    let other = ground.edition_texts(&claim, place, &now, &other).await.unwrap();
    assert_eq!(other, [text(&zip, "c.csv"), text(&zip, "d.csv"), land.clone()]);
    assert_eq!(ground.edition(source.number, edition).await.unwrap().files, other);
    // the same original in an edition's own files is the same edition, and each original is listed once
    for same in [&files[..], &other[..], &received[..]] {
        let arrival = ground.edition_stage(&source, &layout("roll"), same, &EditionNotes::default()).await;
        assert!(matches!(arrival.unwrap(), EditionArrival::Staged { edition: 1, .. }));
    }
    let known = ground.edition_of_files(source.number, &layout("roll"), &now).await.unwrap();
    assert_eq!(known, Some(1));
    let listed = ground.original_list(Some(source.number)).await.unwrap();
    let names: Vec<&str> = listed.iter().map(|original| original.file.name.as_str()).collect();
    assert_eq!(names, ["roll.zip", "land.csv"]);
    let news = ground.report_editions(0).await.unwrap();
    assert_eq!(news.first().unwrap().files, ["roll.zip", "land.csv"]);
}

async fn how_the_original_is_kept_stays_with_its_texts(ground: &Ground) {
    let (land, zip) = (file("land.csv"), file("roll.zip"));
    let files = [land, zip.clone()];
    let (source, edition, claim) = staged(ground, &files).await;
    let packed = format!("originals/{}.zst", zip.sha256);
    let sql = format!(
        "UPDATE edition_file SET object_key = '{packed}', form = 'frames', kept_bytes = 7 WHERE name = 'roll.zip'"
    );
    ground.execute(&sql).await.unwrap();
    let files = ground.edition(source.number, edition).await.unwrap().files;
    ground.edition_texts(&claim, (source.number, edition), &files, &texts()).await.unwrap();
    let rows = ground
        .rows(
            "SELECT CAST(number AS TEXT) || ' ' || form || ' ' || coalesce(CAST(kept_bytes AS TEXT), '-') || ' ' ||
                    coalesce(within, '-') FROM edition_file ORDER BY number",
        )
        .await;
    assert_eq!(rows, ["0 frames 7 b.csv", "1 frames 7 c.csv", "2 plain - -"]);
    let kept = ground.edition(source.number, edition).await.unwrap().files;
    assert_eq!((&kept[0].object_key, &kept[1].object_key), (&packed, &packed));
}

async fn who_lost_the_job_notes_no_texts(ground: &Ground) {
    let files = [file("land.csv"), file("roll.zip")];
    let (source, edition, claim) = staged(ground, &files).await;
    ground.job_finish(&claim).await.unwrap();
    let noted = ground.edition_texts(&claim, (source.number, edition), &files, &texts()).await;
    assert!(matches!(noted, Err(StoreError::LeaseLost)), "{noted:?}");
    assert_eq!(ground.edition(source.number, edition).await.unwrap().files, files);
}

async fn files_read_in_place_are_settled_as_they_were_received(ground: &Ground) {
    let unread = |name: &str| KeptFile {
        sha256: String::new(),
        object_key: format!("in-place:1:2:3:4:/{name}"),
        ..file(name)
    };
    let files = [unread("land.csv"), unread("roll.zip")];
    let (source, edition, claim) = staged(ground, &files).await;
    let place = (source.number, edition);
    let now = ground.edition_texts(&claim, place, &files, &texts()).await.unwrap();
    let hashed: Vec<KeptFile> =
        now.iter().map(|text| KeptFile { sha256: kept(&text.name).sha256, ..text.clone() }).collect();
    assert_eq!(ground.edition_settle(&claim, place, &hashed).await.unwrap(), Settled::New);
    assert_eq!(ground.edition(source.number, edition).await.unwrap().files, hashed);
    // handed in as received, it is the same edition
    let received = [file("roll.zip"), file("land.csv")];
    let known = ground.edition_of_files(source.number, &layout("roll"), &received).await.unwrap();
    assert_eq!(known, Some(edition));
}
