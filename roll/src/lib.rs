//! Bytes of a published roll to records and rejects, streaming, in bounded memory. No database.

pub mod entry;
