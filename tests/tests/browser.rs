//! The pages in a browser: headless Chromium works the built program as a person does.

#![expect(clippy::unwrap_used, clippy::indexing_slicing, reason = "a test stops at the first surprise")]

#[macro_use]
#[path = "end_to_end/both_databases.rs"]
mod both_databases;

#[path = "browser/colours.rs"]
mod colours;
#[path = "browser/county.rs"]
mod county;
#[path = "browser/driver.rs"]
mod driver;
#[path = "browser/editions.rs"]
mod editions;
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
