//! The plugin as the framework knows it: one instance with its session and its parameters.

use super::{
    event_reduction::MAX_EVENTS,
    limits::{KIT_TIMEOUT, is_sample_rate},
    link::{EndMark, EndedBy, Fence, InstanceLink},
    lock::lock,
    params::HostParams,
    ports::{CHANNELS, INPUTS, PAD_NAMES},
    process::Player,
    state::KitState,
    window::{self, HostEditor, UnsavedWork},
};
use kitwright_core::{
    kit::PADS,
    session::{Job, Session},
    settings::PAD_TRIMS,
};
use nice_plug::prelude::*;
use std::{
    path::PathBuf,
    sync::{Arc, Mutex},
};

/// One instance of the plugin.
#[derive(Debug)]
pub struct Kitwright {
    session: Arc<Session>,
    params: Arc<HostParams>,
    /// While active.
    player: Option<Player>,
    /// The window asks whether the program may end.
    asks: bool,
    _end: EndMark,
}

/// The kit file that the next instance opens; see [`open_first`].
static FIRST_KIT: Mutex<Option<PathBuf>> = Mutex::new(None);

/// Lets the next instance open this kit file: the framework's standalone program makes its instance by
/// `Default` and passes no kit. A file that cannot be read is reported in the window.
pub fn open_first(kit: PathBuf) {
    *lock(&FIRST_KIT) = Some(kit);
}

/// What the next instance goes on with; see [`reopen`].
static NEXT: Mutex<Option<UnsavedWork>> = Mutex::new(None);

/// Lets the next instance go on with this work in a window as large as the last, and ask whether the program may end.
pub fn reopen(work: UnsavedWork) {
    *lock(&NEXT) = Some(work);
}

impl Default for Kitwright {
    fn default() -> Self {
        let instance = Self::of(lock(&NEXT).take());
        if let Some(kit) = lock(&FIRST_KIT).take() {
            instance.session.start(Job::LoadKit(kit));
        }
        instance
    }
}

impl Kitwright {
    /// An instance that goes on with the work of a closed window, or a fresh one.
    fn of(before: Option<UnsavedWork>) -> Self {
        let asks = before.is_some();
        let (session, window) =
            before.map_or_else(|| (Session::new(), Arc::default()), |work| (work.session, work.window));
        let kit_state = KitState::new(session.clone());
        let params = Arc::new(HostParams::new(kit_state, window));
        // weak: the parameters keep the session alive, not the other way round
        let weak = Arc::downgrade(&params);
        let ended_by = EndedBy::default();
        let link = InstanceLink {
            session: session.clone(),
            params: weak.clone(),
            run_on_worker: None,
            ended_by: ended_by.clone(),
        };
        link.set_last_made();
        session.read_trims_with(move || weak.upgrade().map(|params| params.trims()));
        Self { session, params, player: None, asks, _end: EndMark::new(ended_by) }
    }
}

const STEREO: NonZeroU32 = new_nonzero_u32(CHANNELS as u32);

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
    const INPUT_EVENT_CAPACITY: usize = MAX_EVENTS;

    type Editor = HostEditor;
    type SysExMessage = ();
    /// No work of this plugin runs on the framework's worker thread: see `InstanceLink::drain_worker`.
    type BackgroundTask = Fence;

    fn task_executor(&mut self) -> TaskExecutor<Self> {
        Box::new(Fence::reached)
    }

    fn editor(&mut self, executor: AsyncExecutor<Self>) -> Option<Self::Editor> {
        InstanceLink::set_last_made_worker(move |fence| executor.execute_background(fence));
        window::create(self.session.clone(), self.params.clone(), self.asks)
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
        if !is_sample_rate(sample_rate) {
            return false;
        }
        self.session.wait_ready(KIT_TIMEOUT);
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

    /// One page of eight for the mix, and one for each pad.
    fn remote_controls(&self, context: &mut impl RemoteControlsContext) {
        let place = |id: &str| PAD_TRIMS.iter().position(|s| s.id == id);
        context.add_section("Kit", |section| {
            section.add_page("Mix", |page| self.params.kit.iter().for_each(|param| param.add_to(page)));
        });
        context.add_section("Pads", |section| {
            for (pad, params) in self.params.pads.iter().enumerate() {
                section.add_page(format!("Pad {}", pad + 1), |page| {
                    REMOTE_TRIMS.iter().filter_map(|id| params.get(place(id)?)).for_each(|p| p.add_to(page));
                });
            }
        });
    }
}

/// The trims of a pad on its page of a host's controls: those that a player reaches for first (our choice).
const REMOTE_TRIMS: [&str; 8] =
    ["level_db", "pan", "pitch_st", "length", "high_cut_hz", "drive_db", "cloud_db", "vary"];

impl Vst3Plugin for Kitwright {
    const VST3_CLASS_ID: [u8; 16] = *b"KitwrightDrumKit";
    const VST3_SUBCATEGORIES: &'static [Vst3SubCategory] =
        &[Vst3SubCategory::Instrument, Vst3SubCategory::Drum, Vst3SubCategory::Sampler];
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{editor::StoredWindow, plugin::state::WindowMemory};

    #[test]
    fn a_window_that_comes_back_to_ask_is_as_large_as_it_was() {
        let (session, window) = (Session::new(), Arc::<WindowMemory>::default());
        let memory = StoredWindow { width: 1600, height: 900, zoom: 1.25, ..StoredWindow::default() };
        window.put(&memory);
        let again = Kitwright::of(Some(UnsavedWork { session: session.clone(), window }));
        assert!(again.asks && Arc::ptr_eq(&again.session, &session));
        assert_eq!(again.params.window.get::<StoredWindow>(), memory);
        let fresh = Kitwright::of(None);
        assert!(!fresh.asks && fresh.params.window.get::<StoredWindow>() == StoredWindow::default());
    }
}
