//! The command line: parse, dispatch, exit codes (sysexits).

fn main() -> std::process::ExitCode {
    std::process::ExitCode::SUCCESS
}
