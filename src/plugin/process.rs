//! One block: applies the host's events at their frames and copies the engine's sound to the host's ports.

use super::{
    params::{HostParams, TrimReader},
    preview::PreviewPlayer,
};
use kitwright_core::{
    engine::{Engine, GrooveEvent, GroovePlayer, Transport},
    kit::PADS,
    session::{KeyTrigger, Session},
};
use nice_plug::prelude::*;
use std::sync::{Arc, atomic::Ordering};

/// Plays while the plugin is active. Once made, nothing in it allocates, frees or waits.
#[derive(Debug)]
pub(super) struct Player {
    engine: Engine,
    session: Arc<Session>,
    params: Arc<HostParams>,
    trims: TrimReader,
    preview: PreviewPlayer,
    groove: GroovePlayer,
    /// Notes of the pads of the kit that plays, for triggers from the window.
    notes: [u8; PADS],
    /// Bypassed stages of each pad, one bit each.
    bypassed: [u8; PADS],
}

impl Player {
    /// A player at `sample_rate` Hz that plays `session`'s kit; allocates, and waits until the kit is
    /// ready.
    pub fn new(session: Arc<Session>, params: Arc<HostParams>, sample_rate: f64) -> Self {
        let engine = Engine::new(sample_rate);
        session.attach_engine(sample_rate, engine.meters());
        let preview = PreviewPlayer::new(session.clone(), sample_rate);
        let (trims, notes, bypassed) = (TrimReader::default(), [0; PADS], [0; PADS]);
        let groove = GroovePlayer::default();
        let mut player = Self { engine, session, params, trims, preview, groove, notes, bypassed };
        player.receive();
        player
    }

    /// Hz.
    pub fn sample_rate(&self) -> f64 {
        self.engine.sample_rate()
    }

    /// Silences the engine and the preview; the groove goes on.
    pub fn reset(&mut self) {
        self.engine.reset();
        self.preview.stop();
    }

    /// Takes what came from other threads: a kit, trims, bypassed stages, a preview.
    fn receive(&mut self) {
        while let Some(kit) = self.session.take_play_kit() {
            for (note, pad) in self.notes.iter_mut().zip(&kit.kit.doc.pads) {
                *note = pad.note;
            }
            self.groove.set_kit(&kit.kit.doc);
            self.engine.set_kit(kit);
        }
        while let Some(kit) = self.engine.retired() {
            self.session.give_back(kit);
        }
        if self.trims.refresh(&self.params) {
            self.engine.set_trims(&self.trims.trims);
        }
        for (pad, last) in self.bypassed.iter_mut().enumerate() {
            let now = self.session.bypassed_stages(pad);
            if now != *last {
                *last = now;
                self.engine.bypass(pad, now);
            }
        }
        self.groove.set(self.session.groove());
        self.preview.receive();
    }

    /// Hands a block of the side input to the recorder, when the host gives one.
    pub fn feed_side_input(&self, side: &[&mut [f32]]) {
        if let [left, right, ..] = side {
            self.session.feed_side_input([left, right]);
        }
    }

    /// Fills every output of the block.
    pub fn process<P: Plugin<SysExMessage = ()>>(
        &mut self,
        main: &mut Buffer<'_>,
        pads: &mut [Buffer<'_>],
        context: &mut impl ProcessContext<P>,
    ) -> ProcessStatus {
        self.receive();
        while let Some(trigger) = self.session.take_trigger() {
            match self.notes.get(trigger.pad) {
                Some(note) if trigger.velocity > 0.0 => self.engine.note_on(*note, trigger.velocity),
                Some(note) => self.engine.note_off(*note),
                None => {}
            }
        }
        while let Some(KeyTrigger { channel, key, velocity }) = self.session.take_key() {
            if velocity > 0.0 {
                self.engine.note_on_channel(channel, key, velocity);
            } else {
                self.engine.note_off_channel(Some(channel), key);
            }
        }
        let song = BlockPosition::new(context.transport(), self.sample_rate());
        let frames = main.samples();
        let unused = self.params.unused_outputs.load(Ordering::Acquire);
        self.session.set_host_tempo(song.beats.map(|_| song.tempo));
        self.groove.begin_block(song.at(0), frames, self.sample_rate());
        let mut next = context.next_event();
        let mut at = 0;
        while at < frames {
            while let Some(event) = next.take_if(|e| e.timing() as usize <= at) {
                self.show_key(&event);
                apply(&mut self.engine, &event);
                next = context.next_event();
            }
            self.play_groove(at);
            let event_at = next.as_ref().map_or(frames, |e| e.timing() as usize);
            let groove_at = self.groove.next_frame().unwrap_or(frames).max(at + 1);
            let until = event_at.min(groove_at).min(frames).min(at + Engine::MAX_CHUNK);
            self.engine.set_transport(song.at(at));
            self.engine.render(until - at);
            copy(self.engine.main(), main, at);
            // bit 0 is the main output
            for (pad, out) in pads.iter_mut().enumerate().take(PADS).filter(|(p, _)| unused & (2 << p) == 0) {
                copy(self.engine.pad(pad), out, at);
            }
            self.preview.add_to(main, at, until, &self.trims.trims.kit);
            at = until;
        }
        // events after the last frame must not be lost: a released key would sound on
        while let Some(event) = next {
            self.show_key(&event);
            apply(&mut self.engine, &event);
            next = context.next_event();
        }
        if self.engine.is_silent() && !self.preview.is_playing() && !self.groove.is_playing() {
            ProcessStatus::Normal
        } else {
            ProcessStatus::KeepAlive
        }
    }
}

impl Player {
    /// Tells the window of a key that was pressed, for the ones that it learns.
    fn show_key(&self, event: &NoteEvent<()>) {
        use nice_plug::midi::{Channel, Key};
        if let NoteEvent::NoteOn { channel, key: Key::Number(key), velocity, .. } = *event
            && velocity > 0.0
        {
            let channel = if let Channel::Number(channel) = channel { channel } else { 0 };
            self.session.key_received(channel, key);
        }
    }

    /// Hands what the groove plays at this frame of the block to the engine.
    fn play_groove(&mut self, at: usize) {
        while let Some(event) = self.groove.take_due(at) {
            match event {
                GrooveEvent::On { pad, velocity } => self.engine.note_on(self.notes[pad], velocity),
                GrooveEvent::Off { pad } => self.engine.note_off(self.notes[pad]),
            }
        }
    }
}

/// Hands an event to the engine. A key or a channel that the host does not specify means every one; a key pressed
/// without a channel plays the pads.
fn apply(engine: &mut Engine, event: &NoteEvent<()>) {
    use nice_plug::midi::{Channel, Key};
    let number = |channel| match channel {
        Channel::Number(channel) => Some(channel),
        Channel::Wildcard => None,
    };
    match *event {
        NoteEvent::NoteOn { channel, key: Key::Number(note), velocity, .. } => {
            // NaN compares false as well
            match (velocity > 0.0, number(channel)) {
                (true, Some(channel)) => engine.note_on_channel(channel, note, velocity.min(1.0)),
                (true, None) => engine.note_on(note, velocity.min(1.0)),
                (false, channel) => engine.note_off_channel(channel, note),
            }
        }
        NoteEvent::NoteOff { channel, key: Key::Number(note), .. } => {
            engine.note_off_channel(number(channel), note);
        }
        NoteEvent::NoteOff { channel, key: Key::Wildcard, .. } => {
            (0..128).for_each(|note| engine.note_off_channel(number(channel), note));
        }
        NoteEvent::Choke { channel, key: Key::Number(note), .. } => {
            engine.choke_channel(number(channel), note);
        }
        NoteEvent::Choke { key: Key::Wildcard, .. } => engine.all_off(),
        _ => {}
    }
}

/// Writes one chunk to a port from frame `at`; NaN and infinity become silence.
fn copy(from: [&[f32]; 2], to: &mut Buffer<'_>, at: usize) {
    for (from, to) in from.iter().zip(to.as_slice()) {
        let Some(to) = to.get_mut(at..) else { continue };
        for (from, to) in from.iter().zip(to) {
            *to = if from.is_finite() { *from } else { 0.0 };
        }
    }
}

/// The song's position and tempo during a block.
#[derive(Debug, Clone, Copy)]
struct BlockPosition {
    beats: Option<f64>,
    tempo: f64,
    beats_per_frame: f64,
}

impl BlockPosition {
    fn new(transport: &nice_plug::prelude::Transport, sample_rate: f64) -> Self {
        let tempo = transport.tempo.filter(|t| t.is_finite() && *t > 0.0).unwrap_or(120.0);
        let beats = transport.pos_beats().filter(|b| transport.playing && b.is_finite());
        Self { beats, tempo, beats_per_frame: tempo / 60.0 / sample_rate }
    }

    fn at(&self, frame: usize) -> Transport {
        Transport { beats: self.beats.map(|b| b + frame as f64 * self.beats_per_frame), tempo: self.tempo }
    }
}
