//! The `ridgepost` binary.
fn main() {}
