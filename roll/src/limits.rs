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
/// another program has the processor, and that reader and hash seldom wait for each other.
pub const HASH_BUFFERS: usize = 32;

/// The longest layout. The longest in `fixtures/layouts` is a few kilobytes.
pub const LAYOUT_BYTES_MAX: usize = 256 << 10;

/// The most characters of a value that a message repeats.
pub const VALUE_CHARS_SHOWN: usize = 40;

/// The most tables a layout may have; the richest published rolls have a few dozen files.
pub const TABLES_MAX: usize = 64;

/// The most groups of columns, one a building, in a row.
pub const GROUPS_MAX: u32 = 64;

/// Bytes of rows that are sorted in memory at once; what is more goes to temporary files.
pub const SORT_BYTES_MAX: usize = 16 << 20;

/// Sorted runs that are merged at once. More of them are first made one.
pub const RUNS_MERGED_MAX: usize = 64;

/// The most rows that are put together to one record. A parcel has some hundreds at the most, parts of buildings
/// included; thousands are a key that means something else.
pub const PARCEL_ROWS_MAX: usize = 10_000;

/// The longest zip archive or workbook that is spooled to the scratch folder: its directory stands at its end, so
/// it cannot be read on the way.
pub const SPOOLED_BYTES_MAX: u64 = 16 << 30;

/// The most bytes of text that one packed file may come to: ten million rows of a kilobyte, six times over.
pub const UNPACKED_BYTES_MAX: u64 = 64 << 30;

/// How many times its packed size a file may come to. Rolls pack to a tenth, blank-padded ones to a fortieth;
/// bombs begin at a thousandth.
pub const UNPACKED_RATIO_MAX: u64 = 200;

/// The ratio counts from so many bytes on: a small file of one repeated row is no bomb.
pub const UNPACKED_RATIO_FROM: u64 = 64 << 20;

/// The most files in an archive. Published ones hold a few dozen.
pub const MEMBERS_MAX: usize = 1_000;

/// The most texts of one archive or workbook that are read as tables of a layout. Each is open with its buffers while
/// headers are looked at, a megabyte or so; rolls in parts by district have a few dozen.
pub const TEXTS_MAX: usize = 100;

/// The largest window of zstd, 2^27 bytes, as its own command line program takes without being told otherwise.
pub const ZSTD_WINDOW_LOG_MAX: u32 = 27;

/// The most bytes of XML in a workbook: more than a full sheet of forty columns.
pub const WORKBOOK_BYTES_MAX: u64 = 2 << 30;

/// The most bytes of shared texts in a workbook, which are held in memory.
pub const WORKBOOK_TEXTS_MAX: u64 = 256 << 20;

/// The longest stretch of a workbook's XML from one tag to the next. A cell holds at most 32,767 characters.
pub const WORKBOOK_RUN_MAX: usize = 1 << 20;

/// Rows and columns of a sheet in the file format (ECMA-376).
pub const SHEET_ROWS_MAX: u32 = 1_048_576;
/// See [`SHEET_ROWS_MAX`].
pub const SHEET_COLUMNS_MAX: u32 = 16_384;

/// How much of an unknown file is looked at: some ten thousand rows, enough that a rare value shows, read in a blink.
pub const LOOK_HEAD_BYTES: usize = 4 << 20;
