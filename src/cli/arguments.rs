//! What can be asked on the command line.

use clap::{Args, Parser, Subcommand};
use kitwright_core::{
    demo::Instrument,
    export::{MIN_VELOCITIES, SamplerFormat},
    kit::{DEFAULT_FIT, Key, Role},
    listen::{DECAYED_DB, DetectOptions},
};
use std::path::PathBuf;

/// What `kitwright` alone prints: one example per task.
pub(super) const SHORT_HELP: &str = "\
Kitwright turns the recorded sound of one instrument into a playable drum kit.

  kitwright kit take.wav --out my-kit       make a kit from a recording, with pads, groove and picture
  kitwright hits take.wav                   list the hits of a recording
  kitwright render my-kit/take.kitwright song.mid --out song.wav
                                            play a MIDI file with a kit
  kitwright export my-kit/take.kitwright --as sfz -o samples
                                            the kit for other samplers: wav, sfz, sf2, midnam
  kitwright shift take.wav --semitones -12 -o low.wav
                                            an octave down, timing kept
  kitwright library list                    the kits of the library; also: add, rename, tag, trash, starters
  kitwright window my-kit/take.kitwright    play a kit in a window of its own
  kitwright demo-take take.wav              write an invented recording to try everything with

kitwright COMMAND --help tells more. Recordings: WAV, AIFF, CAF, FLAC, MP3, Ogg Vorbis, M4A, AAC, ALAC.";

/// Turns the recorded sound of one instrument into a playable drum kit.
#[derive(Debug, Parser)]
#[command(name = "kitwright", version)]
pub(super) struct Arguments {
    #[command(subcommand)]
    pub command: Option<Command>,
    /// Memory that recordings may take, in megabytes; 1500 by default.
    #[arg(long, global = true, value_name = "MB")]
    pub memory: Option<u64>,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// List the hits of a recording.
    Hits(Hits),
    /// Make a kit from recordings: the kit file, its pads as WAV files, a groove, a picture.
    Kit(MakeKit),
    /// Play a MIDI file with a kit into a WAV file.
    Render(Render),
    /// Write a kit for other samplers.
    Export(Export),
    /// Cut the recordings down to what the kit plays. The smaller kit sounds the same, also after later changes that read
    /// up to 50 % more of a recording (7 semitones higher, for example). Sounds that are made longer than that end early,
    /// so keep the whole kit file as well.
    KeepUsed(KeepUsed),
    /// Keep kits in a folder: names, tags, search, trash, starter kits.
    Library(Library),
    /// Move the pitch of a whole recording and keep its timing.
    Shift(Shift),
    /// Play a kit in a window of its own, with audio and MIDI.
    Window(Window),
    /// Write an invented recording, a cello knocked, plucked and scraped, to try everything with.
    DemoTake(DemoTake),
}

#[derive(Debug, Args)]
pub(super) struct Hits {
    /// Recording of one instrument.
    pub take: PathBuf,
    /// Try every hit in every role and say how well it serves; takes longer.
    #[arg(long)]
    pub roles: bool,
    /// Print JSON instead of a table.
    #[arg(long)]
    pub json: bool,
    #[command(flatten)]
    pub detection: DetectionArguments,
}

/// How hits are detected.
#[derive(Debug, Args)]
pub(super) struct DetectionArguments {
    /// Detect fewer (down to -1) or more hits (up to 1).
    #[arg(long, value_name = "-1..1", default_value_t = 0.0, allow_negative_numbers = true, value_parser = sensitivity)]
    sensitivity: f32,
    /// Cut hits off so many dB below their loudest moment instead of by their decay.
    #[arg(long, value_name = "1..60", value_parser = gate)]
    gate: Option<f32>,
}

impl DetectionArguments {
    pub fn options(&self) -> DetectOptions {
        DetectOptions { sensitivity: self.sensitivity, gate_db: self.gate }
    }
}

#[derive(Debug, Args)]
pub(super) struct MakeKit {
    /// Recordings of one instrument.
    #[arg(required = true)]
    pub take: Vec<PathBuf>,
    /// Folder to write; made when it is not there.
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    #[command(flatten)]
    pub detection: DetectionArguments,
    /// How far pads are shaped from the raw hit (0) towards their role (1).
    #[arg(long, value_name = "0..1", default_value_t = DEFAULT_FIT, allow_negative_numbers = true, value_parser = fit)]
    pub fit: f32,
    /// Seed of all random draws; each number gives other small differences between hits and other clouds.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
    /// Fill only these roles.
    #[arg(long, value_name = "kick,rim,...", value_delimiter = ',')]
    pub roles: Option<Vec<Role>>,
    /// Tune pads that have a pitch to this key.
    #[arg(long, value_name = "KEY")]
    pub key: Option<Key>,
    /// Tune them to the key that is heard in this recording, a loop of the song.
    #[arg(long, value_name = "SONG", conflicts_with = "key")]
    pub key_from: Option<PathBuf>,
    /// Tune the kick as well; by itself it stays where it sounds most like one.
    #[arg(long)]
    pub tune_kick: bool,
    /// Shape the pads of a role towards this drum sound; its audio does not come into the kit. May be
    /// given several times.
    #[arg(long, value_name = "ROLE=SOUND", value_parser = target)]
    pub target: Vec<(Role, PathBuf)>,
    /// Give hits to roles: by their number in "hits", or by a moment of the recording in seconds; "2:hit5" is a hit of the
    /// second recording.
    #[arg(long, value_name = "ROLE=HIT,...", value_delimiter = ',', value_parser = given)]
    pub cast: Vec<(Role, HitChoice)>,
    /// Make no pad of these hits, by number or moment.
    #[arg(long, value_name = "HIT,...", value_delimiter = ',', value_parser = hit_choice)]
    pub not: Vec<HitChoice>,
    /// Lean towards your choices as the window has learned them: its preference.json lies beside the folder of the
    /// library. Without this option nothing that was learned counts, so that a recording gives the same kit everywhere.
    #[arg(long, value_name = "FILE")]
    pub preference: Option<PathBuf>,
    /// Stop at the recipes of the roles: no search, in a fraction of the time.
    #[arg(long)]
    pub quick: bool,
    /// Keep only what the pads play of the recordings, as "keep-used" does: a smaller kit file with the same sound.
    #[arg(long)]
    pub keep_used: bool,
    /// Name of the kit; the first recording's name when not given.
    #[arg(long, value_name = "NAME")]
    pub name: Option<String>,
    /// Print kit.json instead of a table.
    #[arg(long)]
    pub json: bool,
}

#[derive(Debug, Args)]
pub(super) struct Render {
    /// Kit file (.kitwright).
    pub kit: PathBuf,
    /// MIDI file (.mid).
    pub midi: PathBuf,
    /// WAV file to write.
    #[arg(long, value_name = "WAV")]
    pub out: PathBuf,
    /// Sample rate in Hz, 8000 to 384000.
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    pub rate: u32,
    /// Frames per block, 1 to 65536; the result does not depend on it.
    #[arg(long, value_name = "N", default_value_t = 512)]
    pub block: usize,
    /// Seed of every random draw instead of the kit's own.
    #[arg(long, value_name = "N")]
    pub seed: Option<u64>,
    /// Also write each pad into a file of its own in this folder.
    #[arg(long, value_name = "DIR")]
    pub stems: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(super) struct Export {
    /// Kit file (.kitwright).
    pub kit: PathBuf,
    /// Format: wav (a file for each velocity and alternate of each pad), sfz (the same, mapped to keys), sf2 (SoundFont 2),
    /// midnam (the names of the notes).
    #[arg(long = "as", value_name = "FORMAT")]
    pub format: SamplerFormat,
    /// Folder to write; made when it is not there.
    #[arg(short, long, value_name = "DIR")]
    pub out: PathBuf,
    /// Sample rate in Hz, 8000 to 384000.
    #[arg(long, value_name = "HZ", default_value_t = 48_000)]
    pub rate: u32,
    /// Velocities at which each pad is sampled, 4 to 32.
    #[arg(long, value_name = "N", default_value_t = MIN_VELOCITIES)]
    pub velocities: u8,
    /// Leave the pads' tone chains out of the samples.
    #[arg(long)]
    pub without_tone: bool,
}

#[derive(Debug, Args)]
pub(super) struct KeepUsed {
    /// Kit file (.kitwright).
    pub kit: PathBuf,
    /// Kit file to write; may be the same one.
    #[arg(short, long, value_name = "OUT")]
    pub out: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct Library {
    /// Folder of the kits; by default the one that the plugin shows.
    #[arg(long, global = true, value_name = "DIR")]
    pub folder: Option<PathBuf>,
    #[command(subcommand)]
    pub what: LibraryCommand,
}

#[derive(Debug, Subcommand)]
pub(super) enum LibraryCommand {
    /// List the kits, or those in whose name, tags, roles or takes every word is found.
    List {
        /// Words to look for.
        words: Vec<String>,
        /// Print JSON instead of a table.
        #[arg(long)]
        json: bool,
    },
    /// Put copies of kit files into the library.
    Add {
        /// Kit files (.kitwright).
        #[arg(required = true)]
        kit: Vec<PathBuf>,
    },
    /// Give a kit another name.
    Rename {
        /// Name of the kit or of its file.
        kit: String,
        /// The new name.
        name: String,
    },
    /// Copy a kit.
    Duplicate {
        /// Name of the kit or of its file.
        kit: String,
    },
    /// Give a kit these tags in place of those it has; none takes them away.
    Tag {
        /// Name of the kit or of its file.
        kit: String,
        /// Tags, one word or several in quotation marks.
        tags: Vec<String>,
    },
    /// Move a kit into the library's trash, a folder that is never emptied.
    Trash {
        /// Name of the kit or of its file.
        kit: String,
    },
    /// Take a kit back out of the trash.
    Restore {
        /// Name of its file.
        kit: String,
    },
    /// Make starter kits of instruments that this program invents: all six, or those named.
    Starters {
        /// Cello, "wooden chair", "glass bottle", "thumb piano", voice-like, guitar-like.
        #[arg(value_parser = instrument)]
        instrument: Vec<Instrument>,
        /// Stop at the recipes of the roles: no search, in a fraction of the time.
        #[arg(long)]
        quick: bool,
    },
}

#[derive(Debug, Args)]
pub(super) struct Shift {
    /// Recording.
    pub take: PathBuf,
    /// How far, in semitones: -12 is an octave down.
    #[arg(long, value_name = "N", allow_negative_numbers = true)]
    pub semitones: f64,
    /// WAV file to write.
    #[arg(short, long, value_name = "OUT")]
    pub out: PathBuf,
}

#[derive(Debug, Args)]
pub(super) struct Window {
    /// Kit file to open.
    pub kit: Option<PathBuf>,
    /// Options for audio and MIDI, after "--"; "-- --help" lists them.
    #[arg(last = true)]
    pub options: Vec<String>,
}

#[derive(Debug, Args)]
pub(super) struct DemoTake {
    /// WAV file to write.
    pub out: PathBuf,
    /// Seed of the random draws; each number gives a different recording.
    #[arg(long, value_name = "N", default_value_t = 1)]
    pub seed: u64,
}

fn instrument(text: &str) -> Result<Instrument, String> {
    let wanted = text.trim().to_lowercase();
    let found = Instrument::ALL.into_iter().find(|i| i.name().to_lowercase() == wanted);
    found.ok_or_else(|| {
        let names = Instrument::ALL.map(|i| format!("\"{}\"", i.name().to_lowercase()));
        format!("give one of {}", names.join(", "))
    })
}

fn fit(text: &str) -> Result<f32, String> {
    number_within(text, 0.0, 1.0)
}

fn target(text: &str) -> Result<(Role, PathBuf), String> {
    let (role, sound) = text.split_once('=').ok_or("write it like snare=sound.wav")?;
    Ok((role.parse().map_err(|e: kitwright_core::error::Error| e.to_string())?, sound.into()))
}

/// A hit as the player names it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HitChoice {
    /// Index of the recording.
    pub take: usize,
    /// The hit in it.
    pub which: WhichHit,
}

/// By its place in the list, or by a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum WhichHit {
    /// Index, from 0.
    Number(usize),
    /// Seconds from the start of the recording.
    Moment(f64),
}

fn given(text: &str) -> Result<(Role, HitChoice), String> {
    let (role, hit) = text.split_once('=').ok_or("write it like kick=hit31 or kick=12.4s")?;
    Ok((role.parse().map_err(|e: kitwright_core::error::Error| e.to_string())?, hit_choice(hit)?))
}

fn hit_choice(text: &str) -> Result<HitChoice, String> {
    let wrong = || "name a hit by its number (31 or hit31) or by a moment (12.4s)".to_owned();
    let (take, hit) = text.trim().split_once(':').map_or(("1", text.trim()), |(take, hit)| (take, hit));
    let take: usize = take.parse().map_err(|_| wrong())?;
    let which = match hit.strip_suffix('s') {
        Some(seconds) => WhichHit::Moment(
            seconds.parse().ok().filter(|s: &f64| s.is_finite() && *s >= 0.0).ok_or_else(wrong)?,
        ),
        None => {
            let number: usize = hit.trim_start_matches("hit").trim().parse().map_err(|_| wrong())?;
            WhichHit::Number(number.checked_sub(1).ok_or_else(wrong)?)
        }
    };
    Ok(HitChoice { take: take.checked_sub(1).ok_or_else(wrong)?, which })
}

fn sensitivity(text: &str) -> Result<f32, String> {
    number_within(text, -1.0, 1.0)
}

fn gate(text: &str) -> Result<f32, String> {
    number_within(text, 1.0, DECAYED_DB)
}

fn number_within(text: &str, low: f32, high: f32) -> Result<f32, String> {
    let value = text.trim().parse().ok().filter(|v| (low..=high).contains(v));
    value.ok_or_else(|| format!("it must be a number from {low} to {high}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_arguments_hold_together() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn roles_and_ranges_are_checked() {
        let parse = |extra: &[&str]| {
            Arguments::try_parse_from(["kitwright", "kit", "a.wav", "--out", "d"].iter().chain(extra))
        };
        assert!(parse(&["--roles", "kick,closed-hat,low tom", "--key", "A minor", "--fit", "0"]).is_ok());
        assert!(parse(&["--roles", "kick,banjo"]).is_err());
        assert!(parse(&["--key", "H dur"]).is_err());
        assert_eq!(hit_choice("hit31"), Ok(HitChoice { take: 0, which: WhichHit::Number(30) }));
        assert_eq!(hit_choice("2:7"), Ok(HitChoice { take: 1, which: WhichHit::Number(6) }));
        assert_eq!(hit_choice("12.4s"), Ok(HitChoice { take: 0, which: WhichHit::Moment(12.4) }));
        for wrong in ["", "0", "hit", "-3", "1.5", "0:4", "xs", "NaNs"] {
            assert!(hit_choice(wrong).is_err(), "{wrong}");
        }
        assert!(parse(&["--cast", "kick=hit3,snare=2.5s", "--not", "4,5.5s"]).is_ok());
        assert!(parse(&["--cast", "banjo=hit3"]).is_err() && parse(&["--cast", "kick"]).is_err());
        for fit in ["-0.1", "1.1", "NaN", "inf", "x"] {
            assert!(parse(&["--fit", fit]).is_err(), "{fit}");
        }
    }
}
