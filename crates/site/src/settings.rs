//! Settings text to a checked site, or to every fault in it at once.
//!
//! Must never stop at the first fault, and never open a file: the caller hands the text over.
