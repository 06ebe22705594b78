//! What a public record says about one property: identifiers, situs address and figures, parsed strictly.

pub mod address;
pub mod beside;
pub mod figure;
pub mod key_merge;
pub mod parcel_key;
