//! Audio files made into takes: WAV, RF64, AIFF, FLAC, MP3, Ogg Vorbis, M4A, AAC, ALAC, CAF.
//!
//! Files are untrusted: whatever their bytes say, reading ends with a take or with one sentence, and
//! memory is bounded by the limits below. Details of the formats that a reader may wonder about:
//!
//! - The encoder delay (priming samples before the sound) of lossy files is cut where the file states its length
//!   (MP3 with an info header, Ogg, M4A with an edit list); elsewhere it stays. So does padding at the end,
//!   except in MP3 and Ogg.
//! - A file that ends before what it declares is refused. WAV, AIFF, CAF, FLAC, M4A and MP3 with an
//!   info header declare their length; Ogg marks its last page (RFC 3533, section 6). An MP3 without
//!   info header and a bare AAC stream declare nothing: what is there is what is read.
//! - Wave files of unknown length (a recorder that streamed) are read to the end of the file.

use super::{
    LossyCodec, Take,
    edits::EncoderDelay,
    guarded::Allowance,
    memory::{memory_trouble, sample_bytes},
    mix::Mixer,
    source,
    trouble::{READABLE, Stop, damaged_at, interrupted, is_end, unreadable},
};
use crate::{error::Result, progress::Progress, units::gain_to_db};
use std::{
    cell::Cell,
    panic::{AssertUnwindSafe, catch_unwind},
    path::Path,
};
use symphonia::core::{
    audio::Channels,
    codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions},
    errors::Error as Trouble,
    formats::{
        FormatOptions, FormatReader, Track, TrackType,
        probe::Hint,
        well_known::{
            FORMAT_ID_AIFF, FORMAT_ID_CAF, FORMAT_ID_FLAC, FORMAT_ID_ISOMP4, FORMAT_ID_MP3, FORMAT_ID_WAVE,
        },
    },
    io::MediaSourceStream,
    meta::MetadataOptions,
};

/// Longest take, seconds.
pub const MAX_SECONDS: u64 = 30 * 60;
/// Sample rates that are kept, Hz.
pub const SAMPLE_RATES: std::ops::RangeInclusive<u32> = 8_000..=384_000;

/// Packets of a lossy file that may fail at its very beginning: the first frames of a cut MP3 refer to
/// data that was cut away.
const FORGIVEN_PACKETS: usize = 3;
/// Frames by which a file may miss a length that it promises in packets: one packet of ALAC, two or more
/// of every lossy codec read here.
const PACKET_SLACK: u64 = 4096;

/// Most channels of a file: the largest layouts in use have 64.
const MAX_CHANNELS: usize = 64;
/// Most frames of a packet: what the header of a FLAC frame can say (RFC 9639, section 9.1.1), 16 times
/// the usual packet of ALAC.
const MAX_PACKET_FRAMES: u64 = 65_536;
/// Most bytes that are read for one packet, with what is passed over on the way to it.
pub(super) const MAX_PACKET_BYTES: u64 = 16 << 20;

impl Take {
    /// Decodes an audio file, keeping its sample rate and one or two channels; more are mixed down, and a silent one of two
    /// is left out (see [`Take::notices`]). Samples beyond ±1.0 are scaled down by a power of two, with all others and with a notice.
    ///
    /// # Errors
    /// One sentence that names the file and the trouble: not found, a folder, not audio, empty, cut
    /// short, damaged, longer than 30 minutes, larger than 2 GiB, a sample rate outside 8 to 384 kHz;
    /// or [`crate::error::Error::Cancelled`].
    pub fn read(path: impl AsRef<Path>, progress: &dyn Progress) -> Result<Take> {
        let path = path.as_ref();
        let name = path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
        let file = source::open(path)?;
        let mut hint = Hint::new();
        if let Some(extension) = path.extension().and_then(|e| e.to_str()) {
            hint.with_extension(extension);
        }
        let limits =
            Limits { encoder_delay: file.encoder_delay, max_frames: None, allowance: file.allowance };
        let stream = MediaSourceStream::new(Box::new(file.source), Default::default());
        let take = decode(stream, &hint, name, limits, progress).map_err(|stop| stop.about(path))?;
        Ok(take.without_unused_channel())
    }
}

/// Bounds of what is decoded, and what its caller knows about it.
#[derive(Debug, Clone)]
pub(super) struct Limits {
    /// The start that is not part of the sound.
    pub(super) encoder_delay: EncoderDelay,
    /// More frames are refused; `None` allows 30 minutes.
    pub(super) max_frames: Option<u64>,
    /// What the decoding library may still read of the source.
    pub(super) allowance: Allowance,
}

thread_local! {
    static DECODING: Cell<bool> = const { Cell::new(false) };
}

/// Whether this thread decodes a recording: a panic is caught then and becomes a sentence, so that a panic
/// hook need not print it.
pub fn is_decoding() -> bool {
    DECODING.get()
}

/// [`decode_trusting`], with a panic of the decoding library (its arithmetic overflows on some damaged
/// headers) turned into a refusal.
pub(super) fn decode(
    stream: MediaSourceStream<'_>,
    hint: &Hint,
    name: String,
    limits: Limits,
    progress: &dyn Progress,
) -> std::result::Result<Take, Stop> {
    DECODING.set(true);
    // unwind safe: everything the closure owns is dropped, and progress holds no half-written state
    let result = catch_unwind(AssertUnwindSafe(|| decode_trusting(stream, hint, name, limits, progress)));
    DECODING.set(false);
    result.unwrap_or_else(|_| Err(Stop::because("is damaged beyond reading; copy or export it again")))
}

/// Finds the format, opens the track, decodes packet by packet and compares the length with the promised one.
fn decode_trusting(
    stream: MediaSourceStream<'_>,
    hint: &Hint,
    name: String,
    limits: Limits,
    progress: &dyn Progress,
) -> std::result::Result<Take, Stop> {
    let mut format = symphonia::default::get_probe()
        .probe(hint, stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(|trouble| match limits.allowance.is_spent() {
            true => Stop::because("holds more tags than sound or is damaged; export it again without tags"),
            false => unreadable(trouble),
        })?;
    let track = format
        .default_track(TrackType::Audio)
        .ok_or_else(|| Stop::because(format!("holds no audio; {READABLE}")))?
        .clone();
    let expected = Expected::of(&track, format.as_ref());
    let mut decoder = open_decoder(&track, &expected)?;
    let mut sink = Sink::new(expected.frames.unwrap_or(0), limits.max_frames);
    if let (Some(frames), Some(params)) = (expected.frames, audio_params(&track))
        && let Some(rate) = params.sample_rate
    {
        let kept = params.channels.as_ref().map_or(1, |c| Mixer::new(c).outputs());
        check_length(frames, rate, kept, limits.max_frames)?;
    }
    let mut packets = 0;
    loop {
        if progress.cancelled() {
            return Err(Stop::Cancelled);
        }
        limits.allowance.renew(MAX_PACKET_BYTES);
        // tags on the way would be kept to the end
        format.metadata().skip_to_latest();
        let packet = match format.next_packet() {
            Ok(Some(packet)) => packet,
            Ok(None) => break,
            Err(trouble) if expected.open_ended && is_end(&trouble) => break,
            Err(trouble) => return Err(interrupted(trouble, sink.seconds())),
        };
        if packet.track_id != track.id {
            continue;
        }
        if packet.data.len() as u64 > MAX_PACKET_BYTES {
            return Err(damaged_at(sink.seconds(), "a packet is too large"));
        }
        match decoder.decode(&packet) {
            Ok(buffer) => sink.push(buffer)?,
            Err(Trouble::DecodeError(_)) if expected.lossy.is_some() && packets < FORGIVEN_PACKETS => (),
            Err(trouble) => return Err(interrupted(trouble, sink.seconds())),
        }
        packets += 1;
        if packets % 64 == 0
            && let Some(all) = track.num_frames.filter(|&n| n > 0)
        {
            progress.report("reading the recording", (sink.frames() as f32 / all as f32).min(1.0));
        }
    }
    expected.check_frames(sink.frames() as u64)?;
    progress.report("reading the recording", 1.0);
    let mut take = sink.into_take(name, limits.encoder_delay)?;
    take.lossy = expected.lossy;
    Ok(take)
}

fn audio_params(track: &Track) -> Option<&AudioCodecParameters> {
    track.codec_params.as_ref()?.audio()
}

fn open_decoder(track: &Track, expected: &Expected) -> std::result::Result<Box<dyn AudioDecoder>, Stop> {
    let params = audio_params(track)
        .ok_or_else(|| Stop::because(format!("holds audio in a form that is not read here; {READABLE}")))?;
    check_params(params)?;
    // An MP3 without info header has its length guessed from its first frames: trimming by that guess
    // would cut sound away.
    let options = AudioDecoderOptions::default().gapless(expected.trustworthy);
    symphonia::default::get_codecs()
        .make_audio_decoder(params, &options)
        .map_err(|_| Stop::because(format!("holds audio in a form that is not read here; {READABLE}")))
}

/// Whether a decoder may be made: decoders reserve memory for a packet of as many frames and channels as
/// the header says.
fn check_params(params: &AudioCodecParameters) -> std::result::Result<(), Stop> {
    if let Some(rate) = params.sample_rate {
        check_rate(rate)?;
    }
    let channels = params.channels.as_ref().map_or(0, Channels::count);
    if channels > MAX_CHANNELS {
        return Err(Stop::because(format!(
            "has {channels} channels, more than the {MAX_CHANNELS} that are read here; export it with fewer"
        )));
    }
    let frames = params.max_frames_per_packet.max(params.frames_per_block).unwrap_or(0);
    if frames > MAX_PACKET_FRAMES {
        return Err(Stop::because(format!(
            "is damaged: it says that a packet has {frames} frames; copy or export it again"
        )));
    }
    Ok(())
}

/// What a file declares about its length.
struct Expected {
    /// Frames that the file promises, when it promises any.
    frames: Option<u64>,
    /// The length and delay that the decoder trims by are stated, not guessed.
    trustworthy: bool,
    /// Its codec, if that is a lossy one.
    lossy: Option<LossyCodec>,
    /// Lengths are promised in packets rather than in frames.
    in_packets: bool,
    /// A wave file of unknown length: its end is the end of the file.
    open_ended: bool,
}

impl Expected {
    fn of(track: &Track, format: &dyn FormatReader) -> Self {
        use symphonia::core::codecs::audio::well_known::{
            CODEC_ID_AAC, CODEC_ID_ALAC, CODEC_ID_MP3, CODEC_ID_VORBIS,
        };
        let codec = track.codec_params.as_ref().and_then(|p| p.audio()).map(|p| p.codec);
        let lossy = match codec {
            Some(CODEC_ID_AAC) => Some(LossyCodec::Aac),
            Some(CODEC_ID_MP3) => Some(LossyCodec::Mp3),
            Some(CODEC_ID_VORBIS) => Some(LossyCodec::Vorbis),
            _ => None,
        };
        let container = format.format_info().format;
        let in_packets = lossy.is_some() || (container == FORMAT_ID_CAF && codec == Some(CODEC_ID_ALAC));
        let declares = match container {
            FORMAT_ID_WAVE | FORMAT_ID_AIFF | FORMAT_ID_CAF | FORMAT_ID_FLAC | FORMAT_ID_ISOMP4 => true,
            // only the info header states delay and length; without it the length is an estimate
            FORMAT_ID_MP3 => track.delay.is_some(),
            _ => false,
        };
        let trustworthy = declares || codec == Some(CODEC_ID_VORBIS);
        let frames = track.num_frames.filter(|&n| declares && n > 0);
        let open_ended = container == FORMAT_ID_WAVE && track.num_frames.is_none();
        Self { frames, trustworthy, lossy, in_packets, open_ended }
    }

    /// Refuses a file that held less than it promised.
    fn check_frames(&self, frames: u64) -> std::result::Result<(), Stop> {
        let slack = if self.in_packets { PACKET_SLACK } else { 0 };
        match self.frames {
            Some(promised) if frames + slack < promised => Err(Stop::because(format!(
                "is cut short: it promises {promised} frames and holds {frames}; copy or export it again"
            ))),
            _ => Ok(()),
        }
    }
}

fn check_rate(rate: u32) -> std::result::Result<(), Stop> {
    if SAMPLE_RATES.contains(&rate) {
        return Ok(());
    }
    Err(Stop::because(format!(
        "has a sample rate of {rate} Hz; convert it to a rate between 8,000 and 384,000 Hz"
    )))
}

/// Refuses more frames than there may be; `kept` channels of them are kept. The memory of a kit's takes
/// is checked for all of them at once.
fn check_length(
    frames: u64,
    rate: u32,
    kept: usize,
    max_frames: Option<u64>,
) -> std::result::Result<(), Stop> {
    match max_frames {
        Some(max) if frames > max => {
            Err(Stop::because(format!("holds {frames} frames where {max} should be")))
        }
        Some(_) => Ok(()),
        None if frames > MAX_SECONDS * u64::from(rate) => {
            Err(Stop::because("is longer than 30 minutes; cut it into shorter recordings"))
        }
        None => memory_trouble(sample_bytes(frames, kept)).map_or(Ok(()), |t| Err(Stop::because(t))),
    }
}

/// Room for all that a file promises: it is read into what is kept, without being moved on the way.
fn reserved(channels: usize, frames: u64) -> std::result::Result<Vec<Vec<f32>>, Stop> {
    let mut all = vec![Vec::new(); channels];
    for channel in &mut all {
        channel.try_reserve_exact(frames as usize).map_err(|_| {
            Stop::because("needs more memory than there is; close other programs or use a shorter recording")
        })?;
    }
    Ok(all)
}

/// Gathers decoded packets into one or two channels.
struct Sink {
    mixer: Option<Mixer>,
    rate: u32,
    channels: Vec<Vec<f32>>,
    packet: Vec<Vec<f32>>,
    /// Frames that the file promises.
    expected: u64,
    max_frames: Option<u64>,
    /// Samples that were no usable numbers.
    repaired: u64,
    peak: f32,
}

impl Sink {
    fn new(expected: u64, max_frames: Option<u64>) -> Self {
        Self {
            mixer: None,
            rate: 0,
            channels: Vec::new(),
            packet: Vec::new(),
            expected,
            max_frames,
            repaired: 0,
            peak: 0.0,
        }
    }

    fn frames(&self) -> usize {
        self.channels.first().map_or(0, Vec::len)
    }

    fn seconds(&self) -> f64 {
        self.frames() as f64 / f64::from(self.rate.max(1))
    }

    fn push(
        &mut self,
        buffer: symphonia::core::audio::GenericAudioBufferRef<'_>,
    ) -> std::result::Result<(), Stop> {
        let spec = buffer.spec();
        if buffer.frames() == 0 {
            return Ok(());
        }
        let mixer = match &self.mixer {
            Some(mixer) => mixer,
            None => {
                check_rate(spec.rate())?;
                self.rate = spec.rate();
                let mixer = Mixer::new(spec.channels());
                self.channels = reserved(mixer.outputs(), self.expected)?;
                self.mixer.insert(mixer)
            }
        };
        if spec.rate() != self.rate || spec.channels().count() != mixer.inputs() {
            return Err(Stop::because(format!(
                "changes its form after {:.2} s; split it into one recording per file",
                self.seconds()
            )));
        }
        buffer.copy_to_vecs_planar(&mut self.packet);
        for s in self.packet.iter_mut().flatten() {
            // 2^32 leaves room for floats that hold 32-bit integers; beyond lies no recording
            if !s.is_finite() || s.abs() > 4_294_967_296.0 {
                *s = 0.0;
                self.repaired += 1;
            }
        }
        let before = self.channels[0].len();
        let frames = (before + buffer.frames()) as u64;
        check_length(frames, self.rate, mixer.outputs(), self.max_frames)?;
        mixer.mix(&self.packet, &mut self.channels);
        for channel in &self.channels {
            self.peak = channel[before..].iter().fold(self.peak, |peak, s| peak.max(s.abs()));
        }
        Ok(())
    }

    fn into_take(mut self, name: String, encoder_delay: EncoderDelay) -> std::result::Result<Take, Stop> {
        let skipped =
            usize::try_from(encoder_delay.frames(self.rate)).unwrap_or(usize::MAX).min(self.frames());
        self.channels.iter_mut().for_each(|c| drop(c.drain(..skipped)));
        if self.frames() == 0 {
            return Err(Stop::because("holds no samples; record or export it again"));
        }
        let mut notices = Vec::new();
        if let Some(mixer) = self.mixer.filter(|m| m.inputs() > 2) {
            let outputs = if mixer.outputs() == 2 { "stereo" } else { "mono" };
            notices.push(format!("{name}: {} channels were mixed down to {outputs}", mixer.inputs()));
        }
        if self.repaired > 0 {
            notices.push(format!("{name}: {} samples were no usable numbers and are silent", self.repaired));
        }
        if self.peak > 1.0 {
            // a power of two changes no bit of a float but its exponent
            let halvings = self.peak.log2().ceil() as i32;
            let scale = 0.5_f32.powi(halvings);
            self.channels.iter_mut().flatten().for_each(|s| *s *= scale);
            notices.push(format!(
                "{name}: its samples went beyond full scale, so it was made {:.0} dB softer",
                f64::from(halvings) * gain_to_db(2.0)
            ));
        }
        self.channels.iter_mut().for_each(Vec::shrink_to_fit);
        let mut take = Take::from_samples(name, self.rate, self.channels);
        take.notices = notices;
        Ok(take)
    }
}
