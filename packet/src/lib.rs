//! Evidence packets: one finding as a document and its data, sealed so that every byte can be checked again.
//!
//! [`seal`] makes a packet of a finding's frozen data: a zip file that is a bag after RFC 8493, with a tagged
//! PDF/A-3a and PDF/UA-1 document, the data it was made from, and the hashes of both. [`verify`] checks one without
//! a database. Same data, same bytes: no clock, no randomness, no I/O beyond bytes in memory.

mod archive;
pub mod bag;
mod caution;
pub mod data;
pub mod document;
mod figure;
mod glyph;
mod packet;
mod verify;
mod view;

pub use archive::ArchiveFault;
pub use caution::CAUTIONS;
pub use data::PacketData;
pub use figure::Recomputed;
pub use packet::{Packet, SealError, document_of, seal};
pub use verify::{DocumentCheck, Fault, FigureCheck, Verified, verify};
