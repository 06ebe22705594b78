//! Bounds on what a file may ask of the machine, each with its reason.

/// The longest row that is read. Published rows run to a few kilobytes; a megabyte is a file that lost its
/// line ends, and holding more of it would help nobody.
pub const ROW_BYTES_MAX: usize = 1 << 20;

/// How many bytes of a quarantined row are kept: enough to see what is wrong with it, little enough that a
/// file of broken rows does not fill the database.
pub const REJECT_BYTES_KEPT: usize = 64 << 10;

/// How many physical lines a row may span where the layout does not say: legal descriptions hold a few line
/// breaks, an unclosed quote holds thousands.
pub const ROW_LINES_MAX_DEFAULT: u32 = 20;

/// The most a layout may set for the lines of one row: after an unclosed quote every further line with a
/// quote is tried over again, so this bounds the work.
pub const ROW_LINES_MAX_LIMIT: u32 = 1_000;

/// The most columns a header may have. The widest published rolls have a few hundred.
pub const COLUMNS_MAX: usize = 4_096;

/// The longest header: every one of [`COLUMNS_MAX`] columns with a name of 64 bytes.
pub const HEADER_BYTES_MAX: usize = COLUMNS_MAX * 64;

/// How much is read from the source at once: large enough that the calls do not count, small enough that the
/// bytes are still in the cache when they are parsed.
pub const READ_BYTES: usize = 256 << 10;

/// The most the reader's buffer grows to: one row of the longest and what is read at once behind it, with
/// room to see past a carriage return.
pub const BUFFER_BYTES_MAX: usize = ROW_BYTES_MAX + 2 * READ_BYTES;

/// A batch ends at the row that takes it past so many bytes, however many rows were asked for.
pub const BATCH_BYTES_MAX: u64 = 8 << 20;

/// Buffers of at most [`READ_BYTES`] on their way to the hash at one time: enough to ride out a moment in which
/// another program has the processor.
pub const HASH_BUFFERS: usize = 8;

/// The longest layout. The longest in `fixtures/layouts` is a few kilobytes.
pub const LAYOUT_BYTES_MAX: usize = 256 << 10;

/// The most characters of a value that a message repeats.
pub const VALUE_CHARS_SHOWN: usize = 40;

/// How much of an unknown file is looked at: some ten thousand rows, enough that a rare value shows, read in a blink.
pub const LOOK_HEAD_BYTES: usize = 4 << 20;
