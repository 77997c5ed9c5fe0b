//! Keeps the tree as it is meant to be.
