//! What a reader must know before acting on a packet.

use crossfoot_audit::judge::explain::CAUTION;

/// The cautions, in the document and in the bag alike.
pub const CAUTIONS: [&str; 8] = [
    CAUTION,
    "A corrected record can also reveal work that was done without a permit.",
    "The record may be right on its own basis: a difference between two definitions of floor area is no error. \
     The definition that was used here is named with the parts.",
    "A record that was matched may belong to another parcel. The evidence of the match is part of this packet.",
    "A percentage means nothing without what it is of and how sure it is. Both stand beside it here.",
    "Value and tax are estimates under the assumption stated with them. Deadlines are those of the \
     jurisdiction's own notice.",
    "What may have caused a difference is a hypothesis. Only an inspection or the record holder can confirm it.",
    "Public records are published as they are, commonly without warranty of completeness or accuracy.",
];
