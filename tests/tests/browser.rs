//! The pages in a browser: headless Chromium works the built program as a person does.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]

/// Makes two tests of each scenario: `<scenario>::on_sqlite` and `<scenario>::on_postgresql`.
macro_rules! on_both_databases {
    ($($scenario:ident),+ $(,)?) => { $(
        mod $scenario {
            use crate::installation::Installation;

            #[test]
            fn on_sqlite() {
                super::$scenario(&Installation::on_sqlite());
            }

            #[test]
            fn on_postgresql() {
                super::$scenario(&Installation::on_postgresql());
            }
        }
    )+ };
}

#[path = "browser/colours.rs"]
mod colours;
#[path = "browser/county.rs"]
mod county;
#[path = "browser/driver.rs"]
mod driver;
#[path = "browser/hostile.rs"]
mod hostile;
#[path = "end_to_end/installation.rs"]
#[expect(dead_code, reason = "made for the end-to-end tests; some of it is of use here")]
mod installation;
#[path = "browser/looks.rs"]
mod looks;
#[path = "browser/plain.rs"]
mod plain;
#[path = "browser/requests.rs"]
mod requests;
#[path = "api/server.rs"]
#[expect(dead_code, reason = "made for the tests of the API; some of it is of use here")]
mod server;
#[path = "browser/story.rs"]
mod story;
#[path = "end_to_end/town.rs"]
#[expect(dead_code, reason = "made for the end-to-end tests; some of it is of use here")]
mod town;
