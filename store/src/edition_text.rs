//! Received files that hold several texts of an edition, such as a zip archive with all its tables: each text is a file
//! of the edition with a number of its own, by which rows name it, and all of them share the one original.
//!
//! An edition is staged with its files as they were received. Which texts are in them shows when they are opened, so the
//! job that loads the edition notes them, before its first row is written.

use crate::database::values;
use crate::job::{Claim, commit_held, hold};
use crate::object::KeptFile;
use crate::{Store, StoreError};

/// Numbers of files on their way to others: beyond all that are given, which are those of a `u16`.
const ASIDE: i64 = 1_000_000;

impl KeptFile {
    /// What people read its lines in: its name, that of a text in it first where it holds several.
    #[must_use]
    pub fn told(&self) -> String {
        match &self.within {
            Some(within) => format!("{within} in {}", self.name),
            None => self.name.clone(),
        }
    }

    fn is_of_one_original_with(&self, other: &KeptFile) -> bool {
        (&self.name, &self.sha256, &self.object_key) == (&other.name, &other.sha256, &other.object_key)
    }
}

/// The files of an edition as they were received, each once however many texts of it are read, with the place of its
/// first text.
fn places_as_received(files: &[KeptFile]) -> Vec<(usize, KeptFile)> {
    let mut received: Vec<(usize, KeptFile)> = Vec::new();
    for (place, file) in files.iter().enumerate() {
        let same = received.last().is_some_and(|(first, _)| {
            let of_it = files.get(*first..place).unwrap_or_default();
            file.within.is_some()
                // the same name again is the same archive handed in again
                && of_it.iter().all(|text| text.is_of_one_original_with(file) && text.within.is_some())
                && of_it.iter().all(|text| text.within != file.within)
        });
        if !same {
            received.push((place, KeptFile { within: None, ..file.clone() }));
        }
    }
    received
}

/// The files of an edition as they were received, each once however many texts of it are read.
#[must_use]
pub fn as_received(files: &[KeptFile]) -> Vec<KeptFile> {
    places_as_received(files).into_iter().map(|(_, file)| file).collect()
}

impl Store {
    /// Notes which texts the files of a staged edition hold: of each the place of its file among those received and, where
    /// that holds several, its name. Gives the files of the edition then. What is noted already is left as it is.
    ///
    /// # Errors
    /// [`StoreError::LeaseLost`] when the job was taken over.
    pub async fn edition_texts(
        &self,
        claim: &Claim,
        (source, edition): (i64, i64),
        files: &[KeptFile],
        texts: &[(usize, Option<String>)],
    ) -> Result<Vec<KeptFile>, StoreError> {
        let received = places_as_received(files);
        let of_text = |(file, within): &(usize, Option<String>)| {
            let (_, file) = received.get(*file)?;
            Some(KeptFile { within: within.clone(), ..file.clone() })
        };
        let now: Vec<KeptFile> = texts.iter().filter_map(of_text).collect();
        if now == files {
            return Ok(now);
        }
        let mut tx = self.main.begin().await?;
        hold(&mut tx, claim).await?;
        // written first: whoever packs the original into frames holds the table meanwhile, and has changed it by then or
        // finds what is written here
        let sql = "UPDATE edition_file SET number = number + $1 WHERE source = $2 AND edition = $3";
        tx.execute(sql, values![ASIDE, source, edition]).await?;
        for (number, (file, within)) in (0i64..).zip(texts) {
            let first = received.get(*file).and_then(|(place, _)| i64::try_from(*place).ok());
            let missing = || StoreError::Missing { what: "file of an edition", id: file.to_string() };
            tx.execute(
                "INSERT INTO edition_file (source, edition, number, name, sha256, bytes, object_key, form, kept_bytes, within)
                 SELECT source, edition, $1, name, sha256, bytes, object_key, form, kept_bytes, $2
                 FROM edition_file WHERE source = $3 AND edition = $4 AND number = $5",
                values![number, within.clone(), source, edition, first.ok_or_else(missing)? + ASIDE],
            )
            .await?;
        }
        let sql = "DELETE FROM edition_file WHERE source = $1 AND edition = $2 AND number >= $3";
        tx.execute(sql, values![source, edition, ASIDE]).await?;
        commit_held(tx, claim).await?;
        Ok(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(name: &str, within: Option<&str>) -> KeptFile {
        let within = within.map(str::to_owned);
        let (sha256, object_key) = (format!("hash of {name}"), format!("originals/{name}"));
        KeptFile { name: name.to_owned(), sha256, bytes: 1, object_key, within }
    }

    #[test]
    fn texts_of_one_original_are_one_received_file() {
        let loose = [file("a", None), file("b", None), file("b", None)];
        assert_eq!(as_received(&loose), loose);
        let texts = [
            file("first.zip", Some("a")),
            file("first.zip", Some("b")),
            file("c", None),
            file("second.zip", Some("a")),
            file("second.zip", Some("d")),
            // the same archive once more
            file("second.zip", Some("a")),
        ];
        let received: Vec<(usize, String)> =
            places_as_received(&texts).into_iter().map(|(place, file)| (place, file.told())).collect();
        let expected = [(0, "first.zip"), (2, "c"), (3, "second.zip"), (5, "second.zip")];
        assert_eq!(received, expected.map(|(place, name)| (place, name.to_owned())));
        assert_eq!(texts.first().map(KeptFile::told), Some("a in first.zip".to_owned()));
    }
}
