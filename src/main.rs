//! The command line: declares it and chains rooms.
//!
//! Exit codes: 0 all done; 1 nothing could be done (the message says why); 2 the
//! command was not understood; 3 done, but some files could not be used; 130
//! stopped by Ctrl-C after the photographs in hand; 141 the reader of standard
//! output went away.

mod commands;
mod output;
mod progress;

use clap::{Args, CommandFactory, Parser, Subcommand};
use glassine::pipeline::Engine;
use glassine::trouble::Result;
use glassine::{checking, review};
use std::io::Write;
use std::path::PathBuf;
use std::process::ExitCode;

/// Writing records out makes and frees short texts by the million; in the system's
/// allocator they took a third of the time.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

const AFTER: &str = "\
Exit codes:
  0    all done
  1    nothing could be done; the message says why
  2    the command was not understood
  3    done, but some files could not be used
  130  stopped by Ctrl-C; the next run goes on where this one stopped
  141  stopped because nobody reads the output any more, for example after | head";

/// Turns photographs of specimen envelopes, pin labels, drawer labels and
/// notebook pages into settled Darwin Core records.
#[derive(Parser)]
#[command(version, after_help = AFTER, max_term_width = 100)]
struct CommandLine {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Make a collection folder.
    ///
    /// It holds catalogue.db, photos/ (originals by their BLAKE3 hash, never
    /// altered) and config/ (your own tables). Copy it whole as a backup.
    New {
        /// The folder to make; it must not exist or be empty.
        folder: PathBuf,
    },
    /// Add photographs to a collection folder: read them into drafts.
    ///
    /// JPEG, PNG, TIFF, WebP, HEIC and scanned PDF (each page a photograph),
    /// files or whole folders. A photograph that is there already is passed
    /// over; one bad file never stops the others. Stop with Ctrl-C at any time:
    /// the next run goes on from there.
    Add(commands::adding::AddArgs),
    /// Read photographs without a collection folder.
    Read {
        /// Photographs, or folders of them.
        #[arg(required = true)]
        photos: Vec<PathBuf>,
        /// Write drafts here as JSON Lines, one photograph a line; `-` is
        /// standard output. Without it the text and the fields are printed.
        #[arg(long, value_name = "FILE")]
        drafts: Option<PathBuf>,
        /// Write the readings here as JSON Lines: every character with its
        /// confidence, alternatives and place. `glassine parse` takes them again,
        /// so that other tables can be tried without reading anew.
        #[arg(long, value_name = "FILE")]
        readings: Option<PathBuf>,
        /// Use the tables of this folder beside the built-in ones.
        #[arg(long, value_name = "FOLDER")]
        config: Option<PathBuf>,
        #[command(flatten)]
        reading: ReadingArgs,
    },
    /// Understand typed text: print its fields and what is doubtful.
    Parse {
        /// A text file, labels parted by a blank line; `-` is standard input. Lines
        /// of JSON are taken as objects with `image` and `text`, or as the readings
        /// that `glassine read --readings` wrote.
        #[arg(long, value_name = "FILE")]
        text: PathBuf,
        /// Write drafts here as JSON Lines; `-` is standard output.
        #[arg(long, value_name = "FILE")]
        drafts: Option<PathBuf>,
        /// Use the tables of this folder beside the built-in ones.
        #[arg(long, value_name = "FOLDER")]
        config: Option<PathBuf>,
    },
    #[command(flatten)]
    Backlog(commands::backlog::Command),
    /// Look for what cannot be true in records that were typed long ago.
    Check(checking::batch::BatchOptions),
    /// Open the page on which a person settles drafts.
    Review(review::Args),
    /// List drafts and records of a collection folder.
    List {
        /// The collection folder.
        folder: PathBuf,
        /// Only settled records.
        #[arg(long)]
        settled: bool,
    },
    /// Search settled records, misreadings forgiven.
    Find {
        /// The collection folder.
        folder: PathBuf,
        /// The words to look for.
        #[arg(required = true)]
        words: Vec<String>,
    },
    /// Write settled records out with Darwin Core terms.
    ///
    /// Records of sensitive taxa and places (config/sensitive.toml) can be put
    /// into a grid on their way out; the catalogue keeps them exact.
    Write(commands::giving::WriteArgs),
    /// Print labels for the pin: locality, determination, number with a code.
    ///
    /// One set for every mounted animal, at exact size, to be cut apart. Measures
    /// and texts are those of config/labels.toml. The number's code finds the lot
    /// again from a photograph.
    Labels(commands::giving::LabelsArgs),
    /// Print blank envelopes to fold for the field, with fields and a numbered
    /// code by which a photographed envelope finds its lot.
    Envelopes(commands::giving::EnvelopesArgs),
    /// Print a report for the owner of the land or for a permit: species,
    /// places, dates, numbers.
    Report(commands::giving::ReportArgs),
    /// Draw the flight time, flight time by elevation, and a map, as SVG.
    Plots(commands::giving::PlotsArgs),
    /// Let the reader learn this collection's hand.
    ///
    /// It learns from lines of settled drafts whose text is certain, and from
    /// lines you write out (--sheet, then --lines); 100 to 200 help most. A
    /// quarter of the lines is held back; what was learned is used from then on
    /// only where it reads those better. It takes some minutes. The reader that
    /// ships stays as it is: glassine unlearn goes back. Drafts that were read
    /// keep their reading.
    Learn(commands::learning::LearnArgs),
    /// Go back to the reader before the last `learn`.
    Unlearn {
        /// The collection folder.
        folder: PathBuf,
    },
    #[command(flatten)]
    Keeping(commands::keeping::Command),
    /// Copy a collection folder, also while it is in use, and check the copy.
    Backup {
        /// The collection folder.
        folder: PathBuf,
        /// The copy: a new folder, or an earlier backup of this collection, to
        /// which only what is new is copied.
        to: PathBuf,
    },
    /// Check a collection folder: every photograph's hash, every reference,
    /// every history.
    Verify {
        /// The collection folder.
        folder: PathBuf,
    },
    /// Print the completions of a shell.
    Completions {
        /// The shell.
        shell: clap_complete::Shell,
    },
    /// Write the manual pages into a folder.
    Manual {
        /// The folder; made where it is missing.
        folder: PathBuf,
    },
}

/// How photographs are read.
#[derive(Args, Debug)]
struct ReadingArgs {
    /// The engine that reads.
    #[arg(long, value_enum, default_value_t)]
    engine: Engine,
    /// Languages for Tesseract, as it names them, for example eng+fra.
    #[arg(long, default_value = "eng")]
    languages: String,
    /// How many photographs are read at once; by default one a core.
    #[arg(long, value_name = "N")]
    workers: Option<usize>,
    /// Save every intermediate picture into this folder.
    #[arg(long, value_name = "DIR")]
    keep_steps: Option<PathBuf>,
    /// Print how long each room took, to standard error.
    #[arg(long)]
    timings: bool,
}

fn main() -> ExitCode {
    let line = CommandLine::parse();
    match run(line.command) {
        Ok(code) => code,
        Err(_) if output::closed() => output::CLOSED.into(),
        Err(trouble) => {
            eprintln!("error: {trouble}");
            ExitCode::FAILURE
        }
    }
}

fn run(command: Command) -> Result<ExitCode> {
    match command {
        Command::New { folder } => commands::new(&folder),
        Command::Add(args) => commands::adding::add(&args),
        Command::Read { photos, drafts, readings, config, reading } => {
            commands::read(&photos, drafts.as_deref(), readings.as_deref(), config.as_deref(), &reading)
        }
        Command::Parse { text, drafts, config } => {
            commands::parse(&text, drafts.as_deref(), config.as_deref())
        }
        Command::Backlog(command) => commands::backlog::run(&command),
        Command::Check(args) => commands::check(&args),
        Command::Review(args) => commands::review(&args),
        Command::List { folder, settled } => commands::list(&folder, settled),
        Command::Find { folder, words } => commands::find(&folder, &words.join(" ")),
        Command::Write(args) => commands::giving::write(&args),
        Command::Labels(args) => commands::giving::labels(&args),
        Command::Envelopes(args) => commands::giving::envelopes(&args),
        Command::Report(args) => commands::giving::report(&args),
        Command::Plots(args) => commands::giving::plots(&args),
        Command::Learn(args) => commands::learning::learn(&args),
        Command::Unlearn { folder } => commands::learning::unlearn(&folder),
        Command::Keeping(command) => commands::keeping::run(&command),
        Command::Backup { folder, to } => commands::backup(&folder, &to),
        Command::Verify { folder } => commands::verify(&folder),
        Command::Completions { shell } => {
            let mut text = Vec::new();
            clap_complete::generate(shell, &mut CommandLine::command(), "glassine", &mut text);
            output::Output.write_all(&text).map_err(output::failed)?;
            Ok(ExitCode::SUCCESS)
        }
        Command::Manual { folder } => commands::manual(CommandLine::command(), &folder),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_command_line_is_declared_soundly() {
        CommandLine::command().debug_assert();
    }

    #[test]
    fn every_command_and_option_says_what_it_is_for() {
        for command in CommandLine::command().get_subcommands() {
            assert!(command.get_about().is_some(), "{} has no help", command.get_name());
            for argument in command.get_arguments() {
                let said = argument.get_help().is_some();
                assert!(said, "{} {} has no help", command.get_name(), argument.get_id());
            }
        }
    }
}
