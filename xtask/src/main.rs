//! The project's chores: `cargo xtask demo | test | bundle | install`.
fn main() {}
