//! Texts of received archives as files of an edition: noted once, kept once, and the same files again are known.

use crossfoot_store::StoreError;
use crossfoot_store::edition_text::as_received;
use crossfoot_store::in_place::Settled;
use crossfoot_store::job::Claim;
use crossfoot_store::object::KeptFile;
use crossfoot_store::source::{EditionArrival, EditionNotes, Source};

use crate::ground::{Ground, LEASE, batch, layout, load};
use crate::keeping::{pack, receive};

on_both_databases! {
    texts_become_files_of_the_edition_and_said_again_change_nothing,
    the_files_of_texts_are_the_same_edition_again,
    all_texts_are_turned_to_the_packed_original_and_it_is_listed_once,
    texts_noted_after_the_original_was_packed_read_the_packed_one,
    who_lost_the_lease_notes_no_texts,
    files_read_in_place_are_settled_as_they_were_received,
}

/// A text: the place of its file among those received, and its name.
type Text = (usize, Option<String>);

fn texts(of: &[(usize, Option<&str>)]) -> Vec<Text> {
    of.iter().map(|(file, within)| (*file, within.map(str::to_owned))).collect()
}

/// A loose file and an archive of two.
async fn received(ground: &Ground) -> Vec<KeptFile> {
    let loose = KeptFile { name: "loose.csv".to_owned(), ..receive(ground, b"P,A\n1,2\n").await };
    let archive = KeptFile { name: "roll.zip".to_owned(), ..receive(ground, b"PK of two").await };
    vec![loose, archive]
}

async fn staged(ground: &Ground, files: &[KeptFile]) -> (Source, i64, Claim) {
    let layout = layout("roll");
    let source = ground.source_ensure("roll", &layout).await.unwrap();
    let arrival = ground.edition_stage(&source, &layout, files, &EditionNotes::default()).await.unwrap();
    let EditionArrival::Staged { edition, job } = arrival else { panic!("{arrival:?}") };
    let claim = ground.job_claim(LEASE, Some(&job)).await.unwrap().unwrap();
    (source, edition, claim)
}

async fn told(ground: &Ground, edition: i64) -> Vec<String> {
    ground.edition(1, edition).await.unwrap().files.iter().map(KeptFile::told).collect()
}

async fn texts_become_files_of_the_edition_and_said_again_change_nothing(ground: &Ground) {
    let files = received(ground).await;
    let (source, edition, claim) = staged(ground, &files).await;
    let place = (source.number, edition);
    assert_eq!(told(ground, edition).await, ["loose.csv", "roll.zip"]);
    let both = texts(&[(0, None), (1, Some("a.csv")), (1, Some("b.csv"))]);
    let noted = ground.edition_texts(&claim, place, &files, &both).await.unwrap();
    assert_eq!(told(ground, edition).await, ["loose.csv", "a.csv in roll.zip", "b.csv in roll.zip"]);
    assert_eq!(ground.edition(1, edition).await.unwrap().files, noted);
    assert_eq!(as_received(&noted), files);
    let rows = "SELECT number || ':' || bytes || ':' || form FROM edition_file ORDER BY number";
    let before = ground.rows(rows).await;
    assert_eq!(before, ["0:8:plain", "1:9:plain", "2:9:plain"]);
    // the load was broken off and begins again with what is noted
    assert_eq!(ground.edition_texts(&claim, place, &noted, &both).await.unwrap(), noted);
    assert_eq!(ground.rows(rows).await, before);
    // a later version of the program reads one text of it: that is the file
    let one = texts(&[(0, None), (1, None)]);
    assert_eq!(ground.edition_texts(&claim, place, &noted, &one).await.unwrap(), files);
    assert_eq!(ground.edition(1, edition).await.unwrap().files, files);
}

async fn the_files_of_texts_are_the_same_edition_again(ground: &Ground) {
    let files = received(ground).await;
    let (source, edition, claim) = staged(ground, &files).await;
    let both = texts(&[(0, None), (1, Some("a.csv")), (1, Some("b.csv"))]);
    let noted = ground.edition_texts(&claim, (1, edition), &files, &both).await.unwrap();
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1000)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    for again in [&files, &noted] {
        let layout = layout("roll");
        let arrival = ground.edition_stage(&source, &layout, again, &EditionNotes::default()).await.unwrap();
        let state = "current".to_owned();
        assert_eq!(arrival, EditionArrival::Known { edition, state });
        assert_eq!(ground.edition_of_files(1, &layout, again).await.unwrap(), Some(edition));
    }
    // texts of another edition are taken as what was received
    let mut mended = layout("roll");
    mended.title = format!("{} again", mended.title);
    let arrival = ground.edition_stage(&source, &mended, &noted, &EditionNotes::default()).await.unwrap();
    let EditionArrival::Staged { edition, .. } = arrival else { panic!("{arrival:?}") };
    assert_eq!(ground.edition(1, edition).await.unwrap().files, files);
}

async fn all_texts_are_turned_to_the_packed_original_and_it_is_listed_once(ground: &Ground) {
    let files = received(ground).await;
    let (source, edition, claim) = staged(ground, &files).await;
    let both = texts(&[(0, None), (1, Some("a.csv")), (1, Some("b.csv"))]);
    ground.edition_texts(&claim, (1, edition), &files, &both).await.unwrap();
    let loaded = load(ground, &claim, &source, edition, vec![batch(&[("A", 1000)])]).await.unwrap();
    ground.edition_make_current(&claim, &source, edition, &loaded).await.unwrap();
    let listed = || async {
        let list = ground.original_list(Some(1)).await.unwrap();
        list.into_iter().map(|one| (one.number, one.file.name, one.packed)).collect::<Vec<_>>()
    };
    let (loose, archive) = ("loose.csv".to_owned(), "roll.zip".to_owned());
    assert_eq!(listed().await, [(0, loose.clone(), false), (1, archive.clone(), false)]);
    let news = ground.report_editions(0).await.unwrap();
    assert_eq!(news.first().unwrap().files, ["loose.csv", "roll.zip"]);
    pack(ground).await.unwrap();
    assert_eq!(listed().await, [(0, loose, true), (1, archive, true)]);
    let keys: Vec<String> =
        ground.edition(1, edition).await.unwrap().files.into_iter().map(|file| file.object_key).collect();
    assert!(keys.iter().all(|key| key.ends_with(".zst")), "{keys:?}");
    assert_eq!(keys[1], keys[2]);
}

async fn texts_noted_after_the_original_was_packed_read_the_packed_one(ground: &Ground) {
    let files = received(ground).await;
    // the same bytes are in use elsewhere, and are packed between staging and loading
    crate::keeping::take(ground, "elsewhere", b"PK of two").await;
    let (_, edition, claim) = staged(ground, &files).await;
    pack(ground).await.unwrap();
    let both = texts(&[(0, None), (1, Some("a.csv")), (1, Some("b.csv"))]);
    ground.edition_texts(&claim, (2, edition), &files, &both).await.unwrap();
    let forms =
        "SELECT form || ':' || count(*) FROM edition_file WHERE source = 2 GROUP BY form ORDER BY form";
    assert_eq!(ground.rows(forms).await, ["frames:2", "plain:1"]);
}

async fn who_lost_the_lease_notes_no_texts(ground: &Ground) {
    let files = received(ground).await;
    let (_, edition, claim) = staged(ground, &files).await;
    ground.execute("UPDATE job SET lease_until = 0 WHERE state = 'running'").await.unwrap();
    let both = texts(&[(0, None), (1, Some("a.csv")), (1, Some("b.csv"))]);
    let lost = ground.edition_texts(&claim, (1, edition), &files, &both).await.unwrap_err();
    assert!(matches!(lost, StoreError::LeaseLost), "{lost}");
    assert_eq!(told(ground, edition).await, ["loose.csv", "roll.zip"]);
}

async fn files_read_in_place_are_settled_as_they_were_received(ground: &Ground) {
    let files = received(ground).await;
    let unread = |file: &KeptFile| KeptFile {
        sha256: String::new(),
        object_key: format!("in-place:1:2:3:4:/{}", file.name),
        ..file.clone()
    };
    let in_place: Vec<KeptFile> = files.iter().map(unread).collect();
    let (_, edition, claim) = staged(ground, &in_place).await;
    let both = texts(&[(0, None), (1, Some("a.csv")), (1, Some("b.csv"))]);
    let noted = ground.edition_texts(&claim, (1, edition), &in_place, &both).await.unwrap();
    let hash = |text: &KeptFile| files.iter().find(|file| file.name == text.name).unwrap().sha256.clone();
    let hashed: Vec<KeptFile> =
        noted.iter().map(|text| KeptFile { sha256: hash(text), ..text.clone() }).collect();
    assert_eq!(ground.edition_settle(&claim, (1, edition), &hashed).await.unwrap(), Settled::New);
    assert_eq!(ground.edition(1, edition).await.unwrap().files, hashed);
    // handed in as received, it is the same edition
    let known = ground.edition_of_files(1, &layout("roll"), &files).await.unwrap();
    assert_eq!(known, Some(edition));
}
