//! The host's side: notes, parameters, state, ports, and the guard at the door.

mod clap_events;
mod entry_vst3;
mod guard_clap;
mod guard_vst3;
mod listening;
mod marking_vst3;
mod note_names;
pub mod params;
mod process;
mod spare;
pub mod state;
mod tail;
mod window;

pub use window::close_windows;

use kitwright_core::{
    kit::PADS,
    session::{Job, Session},
};
use nice_plug::prelude::*;
use params::HostParams;
use process::Player;
use state::{KitState, WindowMemory};
use std::{
    cell::RefCell,
    path::PathBuf,
    sync::{Arc, Mutex, PoisonError, Weak},
    time::{Duration, Instant},
};

/// Longest wait for a kit when the host activates the plugin or loads a state: better a host that waits
/// than a bounce that begins silent.
const PATIENCE: Duration = Duration::from_secs(30);

/// What the guard at the door shares with the plugin behind it.
pub(crate) struct Link {
    /// The open kit.
    pub session: Arc<Session>,
    /// The parameters, with the kit within the host's state.
    pub params: Weak<HostParams>,
    executor: Option<AsyncExecutor<Kitwright>>,
}

thread_local! {
    /// The framework makes the plugin by `Default` and keeps it to itself: the link of the one made last
    /// on this thread is how the guard gets to know it.
    static LAST_MADE: RefCell<Option<Link>> = const { RefCell::new(None) };
}

impl Link {
    /// The link of the plugin that this thread has just made.
    pub fn take_last_made() -> Option<LastLink> {
        LAST_MADE.take().map(LastLink)
    }

    /// How long the kit can ring at its present settings, frames at `sample_rate` Hz. Not for the audio
    /// thread.
    pub fn tail_frames(&self, sample_rate: f64) -> u32 {
        let Some(params) = self.params.upgrade() else { return 0 };
        let seconds = tail::ring_seconds(&self.session.kit(), &params.trims());
        (seconds * sample_rate).ceil() as u32
    }

    /// Waits until the framework's worker thread has done all that this instance has queued there. The
    /// worker serves all instances, and dies when it finds a task whose instance is gone; the last instance
    /// to go would then end the host's process (read in nice-plug 0.4.2, `background_thread.rs`).
    pub fn drain_worker(&self) {
        let Some(executor) = &self.executor else { return };
        let (done, wait) = std::sync::mpsc::channel();
        // the queue may be full; what has waited its turn comes back at once
        for _ in 0..20 {
            executor.execute_background(Fence(done.clone()));
            if wait.recv_timeout(Duration::from_millis(100)).is_ok() {
                break;
            }
        }
        // the worker still holds the instance for the few instructions after the fence, and must not be
        // the last to let go of it: nothing tells when, so this waits thousands of times as long
        std::thread::sleep(Duration::from_millis(10));
    }
}

/// A link that outlives its plugin, at the door. When it goes, so has the session with its threads: one of
/// them may hold the session for a moment yet, and hosts unload the library as soon as they may.
pub(crate) struct LastLink(Link);

impl std::ops::Deref for LastLink {
    type Target = Link;
    fn deref(&self) -> &Link {
        &self.0
    }
}

impl Drop for LastLink {
    fn drop(&mut self) {
        let until = Instant::now() + Duration::from_secs(5);
        while Arc::strong_count(&self.0.session) > 1 && Instant::now() < until {
            std::thread::sleep(Duration::from_millis(1));
        }
    }
}

/// A task for the framework's worker that only tells when its turn has come.
#[derive(Debug)]
pub struct Fence(std::sync::mpsc::Sender<()>);

/// The plugin.
#[derive(Debug)]
pub struct Kitwright {
    session: Arc<Session>,
    params: Arc<HostParams>,
    /// While active.
    player: Option<Player>,
}

/// What [`open_first`] asked for.
static FIRST_KIT: Mutex<Option<PathBuf>> = Mutex::new(None);

/// Lets the next plugin that is made open this kit file: the framework's standalone window makes its plugin
/// by `Default` and knows nothing of kits.
pub fn open_first(kit: PathBuf) {
    *FIRST_KIT.lock().unwrap_or_else(PoisonError::into_inner) = Some(kit);
}

impl Default for Kitwright {
    fn default() -> Self {
        let session = Session::new();
        if let Some(kit) = FIRST_KIT.lock().unwrap_or_else(PoisonError::into_inner).take() {
            session.start(Job::LoadKit(kit));
        }
        let kit_state = KitState::new(session.clone());
        let params = Arc::new(HostParams::new(kit_state, Arc::new(WindowMemory::default())));
        // weak: the parameters keep the session alive, not the other way round
        let weak = Arc::downgrade(&params);
        LAST_MADE.set(Some(Link { session: session.clone(), params: weak.clone(), executor: None }));
        session.read_trims_with(move || weak.upgrade().map(|params| params.trims()));
        Self { session, params, player: None }
    }
}

/// Channels of every port.
pub(crate) const CHANNELS: usize = 2;
/// Output ports: the main one and one for each pad.
pub(crate) const OUTPUTS: usize = 1 + PADS;
/// Input ports: the side input.
pub(crate) const INPUTS: usize = 1;

const STEREO: NonZeroU32 = new_nonzero_u32(CHANNELS as u32);
const PAD_NAMES: [&str; PADS] = [
    "Pad 1", "Pad 2", "Pad 3", "Pad 4", "Pad 5", "Pad 6", "Pad 7", "Pad 8", "Pad 9", "Pad 10", "Pad 11",
    "Pad 12", "Pad 13", "Pad 14", "Pad 15", "Pad 16",
];

impl Plugin for Kitwright {
    const NAME: &'static str = "Kitwright";
    const VENDOR: &'static str = "Kitwright";
    const URL: &'static str = "";
    const EMAIL: &'static str = "";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");

    const AUDIO_IO_LAYOUTS: &'static [AudioIOLayout] = &[AudioIOLayout {
        main_input_channels: None,
        main_output_channels: Some(STEREO),
        aux_input_ports: &[STEREO; INPUTS],
        aux_output_ports: &[STEREO; PADS],
        names: PortNames {
            layout: Some("Main and pads"),
            // the framework takes the main output's name from the main input's
            main_input: Some("Main"),
            main_output: Some("Main"),
            aux_inputs: &["Side input"],
            aux_outputs: &PAD_NAMES,
        },
    }];

    const MIDI_INPUT: MidiConfig = MidiConfig::Basic;
    const SAMPLE_ACCURATE_AUTOMATION: bool = true;
    const INPUT_EVENT_CAPACITY: usize = 4096;

    type Editor = window::HostEditor;
    type SysExMessage = ();
    /// Nothing of ours runs on the framework's worker: see [`Link::drain_worker`].
    type BackgroundTask = Fence;

    fn task_executor(&mut self) -> TaskExecutor<Self> {
        Box::new(|fence| {
            // whoever waited may have given up
            let _ = fence.0.send(());
        })
    }

    fn editor(&mut self, executor: AsyncExecutor<Self>) -> Option<Self::Editor> {
        LAST_MADE.with_borrow_mut(|link| {
            if let Some(link) = link {
                link.executor = Some(executor);
            }
        });
        window::create(self.session.clone(), self.params.clone())
    }

    fn params(&self) -> Arc<dyn Params> {
        self.params.clone()
    }

    fn activate(
        &mut self,
        _layout: &AudioIOLayout,
        config: &BufferConfig,
        _context: &mut impl ActivateContext<Self>,
    ) -> bool {
        let sample_rate = f64::from(config.sample_rate);
        if !(sample_rate.is_finite() && sample_rate > 0.0) {
            return false;
        }
        self.session.wait_ready(PATIENCE);
        if self.player.as_ref().is_none_or(|p| p.sample_rate() != sample_rate) {
            self.player = Some(Player::new(self.session.clone(), self.params.clone(), sample_rate));
        }
        true
    }

    fn reset(&mut self) {
        if let Some(player) = &mut self.player {
            player.reset();
        }
    }

    fn process(
        &mut self,
        buffer: &mut Buffer,
        aux: &mut AuxiliaryBuffers,
        context: &mut impl ProcessContext<Self>,
    ) -> ProcessStatus {
        match &mut self.player {
            Some(player) => {
                if let Some(side) = aux.inputs.first_mut() {
                    player.feed_side_input(side.as_slice());
                }
                player.process(buffer, aux.outputs, context)
            }
            None => {
                silence(buffer);
                aux.outputs.iter_mut().for_each(silence);
                ProcessStatus::Normal
            }
        }
    }
}

fn silence(buffer: &mut Buffer<'_>) {
    for channel in buffer.as_slice() {
        channel.fill(0.0);
    }
}

impl ClapPlugin for Kitwright {
    const CLAP_ID: &'static str = "org.kitwright.kitwright";
    const CLAP_DESCRIPTION: Option<&'static str> =
        Some("Turns the recorded sound of one instrument into a playable drum kit");
    const CLAP_MANUAL_URL: Option<&'static str> = None;
    const CLAP_SUPPORT_URL: Option<&'static str> = None;
    const CLAP_FEATURES: &'static [ClapFeature] =
        &[ClapFeature::Instrument, ClapFeature::Drum, ClapFeature::Sampler, ClapFeature::Stereo];
}

impl Vst3Plugin for Kitwright {
    const VST3_CLASS_ID: [u8; 16] = *b"KitwrightDrumKit";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] =
        &[Vst3SubCategory::Instrument, Vst3SubCategory::Drum, Vst3SubCategory::Sampler];
}
