//! The `kitwright` command.

fn main() -> std::process::ExitCode {
    kitwright::cli::run()
}
