//! Bytes of a published roll to records and rejects, streaming, in bounded memory. No database.
//!
//! A [`layout::Layout`] says how a source writes its file and what its columns mean. A [`reader::RollReader`]
//! takes the bytes and gives one [`entry::Entry`] or one [`entry::Reject`] for every row, each with the exact
//! line and byte range, so that a packet can show the row as published and no row is lost.
//!
//! ```
//! use crossfoot_roll::layout::Layout;
//! use crossfoot_roll::reader::{RollReader, Row};
//!
//! let layout = Layout::from_toml(
//!     r#"
//!     id = "basalt-county-roll"
//!     jurisdiction = "XX-BASALT"
//!     basis = "not-published"
//!     [parcel]
//!     columns = ["PARCEL"]
//!     [area]
//!     column = "LIVING_AREA"
//!     "#,
//! )?;
//! let file = b"PARCEL,LIVING_AREA\n001,1284\n002,n/a\n";
//! let mut reader = RollReader::new(file.as_slice(), &layout)?;
//! let Some(Row::Entry(entry)) = reader.next_row()? else { panic!("the first row is good") };
//! assert_eq!((entry.line, entry.byte_start, entry.byte_length), (2, 19, 8));
//! let Some(Row::Reject(reject)) = reader.next_row()? else { panic!("the second row is not") };
//! assert_eq!(reject.column.as_deref(), Some("LIVING_AREA"));
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

pub mod again;
pub mod assemble;
pub mod check;
mod decoding;
mod digest;
pub mod entry;
mod framing;
pub mod header;
pub mod identity;
pub mod layout;
pub mod limits;
pub mod lines;
pub mod look;
mod mapping;
mod mend;
pub mod original;
mod published;
pub mod reader;
pub mod record_view;
mod stored;
pub mod unpack;

pub use mend::{MendForm, REASON_COLUMN};
pub use published::{PublishedError, PublishedField, head_length, published_row, published_row_of};
