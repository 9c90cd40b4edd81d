//! The command `tanyard`; all of it is in the library.

fn main() -> std::process::ExitCode {
    tanyard::cli::run()
}
