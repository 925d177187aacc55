//! Every bound that holds a template in check, in one table.
//!
//! Must never be a length of time: the same template and data must give the same file, or the same refusal, on any machine.

/// Steps that a template may take, those inside closures and what its words charge included; a summary of sixty bins takes less than a
/// twentieth of them.
pub(crate) const STEPS_MAX: u64 = 1_000_000;
/// Words of memory that are copied where a variable is named, for one step.
pub(crate) const COPIED_A_STEP: u64 = 16;
/// Bytes of a template's file.
pub(crate) const TEMPLATE_BYTES: usize = 256 * 1024;
/// Bytes of one text that a template makes.
pub(crate) const TEXT_MAX: usize = 200_000;
/// Members of one array or map, those of what stands in it included.
pub(crate) const MEMBERS_MAX: usize = 20_000;
/// Calls within calls.
pub(crate) const CALLS_MAX: usize = 48;
/// Brackets within brackets.
pub(crate) const NESTED_MAX: usize = 64;
/// Elements within elements, values within values.
pub(crate) const DEPTH_MAX: usize = 40;
/// Elements of a document.
pub(crate) const ELEMENTS_MAX: usize = 200_000;
/// Bytes of all texts of a document together, a text counted as often as it is set: some six hundred pages.
pub(crate) const LETTERS_MAX: usize = 2_000_000;
/// Pictures that a document sets, one counted as often as it is set.
pub(crate) const PICTURES_MAX: usize = 2_000;
/// Bytes of the file of one picture.
pub(crate) const PICTURE_BYTES: usize = 8 * 1024 * 1024;
/// Points of a PNG: its pixels are held in memory, three or four bytes each.
pub(crate) const PICTURE_PIXELS: u64 = 16_000_000;
