//! What the tests stand on: a PostgreSQL server of their own, the built programs, and the Python that
//! counts with other code.
//!
//! Nothing here skips. What is missing on a machine is named in a panic, together with the command that
//! brings it.

#![expect(unsafe_code, reason = "test ground only: signals and the end of the process are C calls")]

mod place;
mod postgres;
mod process;
mod s3;

pub use place::{binary, python, repository};
pub use postgres::{BreakablePostgres, Postgres, postgres};
pub use s3::{BUCKET, S3Server, s3};
