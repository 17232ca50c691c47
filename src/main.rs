//! The command line: parse, dispatch, exit codes (sysexits).

mod cli;

fn main() -> std::process::ExitCode {
    cli::main()
}
