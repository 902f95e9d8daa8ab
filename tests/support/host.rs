//! A CLAP host for tests, which can also break the rules of CLAP.
//!
//! Loading, ports, parameters and state go through `clack-host`; audio goes through the C interface
//! itself, so that missing ports, null channels and events out of order can be passed.

pub use super::host_events::{Ev, note};

use super::{
    host_callbacks::{Handlers, HostCallbacks, MainThread},
    host_events::{RawEvents, event_count, event_get, event_push, raw},
};
use clack_extensions::{
    audio_ports::{AudioPortInfoBuffer, PluginAudioPorts},
    latency::PluginLatency,
    note_name::{NoteNameBuffer, PluginNoteName},
    params::{ParamInfoBuffer, PluginParams},
    state::PluginState,
    tail::PluginTail,
};
use clack_host::{prelude::*, utils::ClapId};
use clap_sys::{
    audio_buffer::clap_audio_buffer,
    events::{clap_input_events, clap_output_events},
    ext::params::{CLAP_EXT_PARAMS, clap_plugin_params},
    plugin::clap_plugin,
    process::*,
};
use std::{
    collections::BTreeMap,
    io::{Read, Write},
    sync::atomic::Ordering::SeqCst,
};

/// What a host brings for one port.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Port {
    /// This many channels.
    Channels(usize),
    /// This many channels, each a null pointer.
    NullChannels(usize),
    /// A null pointer instead of the channels' pointers.
    Null,
    /// The same two buffers as the port before.
    SameAsBefore,
}

/// One run of the audio thread.
pub struct Run<'a> {
    pub rate: f64,
    pub frames: usize,
    pub max_block: u32,
    /// Size of the n-th block.
    pub block: &'a (dyn Fn(usize) -> usize + Sync),
    pub events: &'a [Ev],
    /// Passes the events of each block in reverse order.
    pub backwards: bool,
    pub outputs: &'a [Port],
    pub inputs: &'a [Port],
    /// Every sample of the inputs.
    pub input: f32,
    /// The side input lies in the buffers of the main output.
    pub in_place: bool,
}

/// Ports as the plugin declares them.
pub const DECLARED: &[Port] = &[Port::Channels(2); 17];
pub const SIDE: &[Port] = &[Port::Channels(2)];

impl<'a> Run<'a> {
    /// A run at 48 kHz in blocks of 512.
    pub fn new(frames: usize, events: &'a [Ev]) -> Self {
        Self {
            rate: 48_000.0,
            frames,
            max_block: 1024,
            block: &|_| 512,
            events,
            backwards: false,
            outputs: DECLARED,
            inputs: SIDE,
            input: GARBAGE,
            in_place: false,
        }
    }
}

/// `[port][channel][frame]` of what the host brought.
pub type Sound = Vec<Vec<Vec<f32>>>;

pub struct Host {
    pub instance: PluginInstance<Handlers>,
    _entry: PluginEntry,
}

struct SendPlugin(*const clap_plugin);
// SAFETY: CLAP's audio functions may be called from another thread, one at a time.
unsafe impl Send for SendPlugin {}
impl SendPlugin {
    fn get(&self) -> *const clap_plugin {
        self.0
    }
}

impl Host {
    pub fn new() -> Self {
        // SAFETY: the library was built from this very project.
        Self::of(unsafe { PluginEntry::load(super::library()) }.expect("the library loads"))
    }

    /// An instance of the plugin behind this entry point.
    pub fn of(entry: PluginEntry) -> Self {
        let factory = entry.get_plugin_factory().expect("a factory");
        let id = factory.plugin_descriptors().next().expect("a plugin").id().expect("an id").to_owned();
        let info = HostInfo::new("test host", "none", "https://example.invalid", "1").unwrap();
        let instance = PluginInstance::new(
            |_| HostCallbacks::default(),
            |callbacks| MainThread(callbacks),
            &entry,
            &id,
            &info,
        )
        .expect("an instance");
        Self { instance, _entry: entry }
    }

    /// A host whose instance has this state.
    pub fn with_state(state: &[u8]) -> Self {
        let mut host = Self::new();
        assert!(host.load(state), "the state is refused");
        host
    }

    pub fn raw(&mut self) -> *const clap_plugin {
        self.instance.plugin_handle().as_raw_ptr()
    }

    /// Reads what the plugin has asked of the host.
    pub fn callbacks<T>(&self, read: impl FnOnce(&HostCallbacks) -> T) -> T {
        self.instance.access_shared_handler(read)
    }

    /// Calls the plugin on the main thread when it has asked for that.
    pub fn main_thread(&mut self) {
        if self.callbacks(|c| c.callback.swap(false, SeqCst)) {
            self.instance.call_on_main_thread_callback();
        }
    }

    /// Names and channels of the ports.
    pub fn ports(&mut self, inputs: bool) -> Vec<(String, u32)> {
        let handle = self.instance.plugin_handle();
        let ports: PluginAudioPorts = handle.get_extension().expect("audio ports");
        (0..ports.count(&handle, inputs))
            .map(|i| {
                let mut buffer = AudioPortInfoBuffer::new();
                let port = ports.get(&handle, i, inputs, &mut buffer).expect("a port");
                (String::from_utf8_lossy(port.name).into_owned(), port.channel_count)
            })
            .collect()
    }

    /// Name to id of every parameter.
    pub fn params(&mut self) -> BTreeMap<String, u32> {
        let handle = self.instance.plugin_handle();
        let params: PluginParams = handle.get_extension().expect("parameters");
        (0..params.count(&handle))
            .map(|i| {
                let mut buffer = ParamInfoBuffer::new();
                let info = params.get_info(&handle, i, &mut buffer).expect("a parameter");
                (String::from_utf8_lossy(info.name).into_owned(), info.id.get())
            })
            .collect()
    }

    pub fn param(&mut self, id: u32) -> f64 {
        let handle = self.instance.plugin_handle();
        let params: PluginParams = handle.get_extension().expect("parameters");
        params.get_value(&handle, ClapId::from_raw(id).unwrap()).expect("a value")
    }

    pub fn note_names(&mut self) -> Vec<(u16, String)> {
        let handle = self.instance.plugin_handle();
        let names: PluginNoteName = handle.get_extension().expect("note names");
        (0..names.count(&handle) as u32)
            .map(|i| {
                let mut buffer = NoteNameBuffer::new();
                let name = names.get(&handle, i, &mut buffer).expect("a name");
                (name.key.into_specific().expect("a key"), String::from_utf8_lossy(name.name).into_owned())
            })
            .collect()
    }

    pub fn latency(&mut self) -> u32 {
        let handle = self.instance.plugin_handle();
        let latency: PluginLatency = handle.get_extension().expect("latency");
        latency.get(&handle)
    }

    pub fn has_tail(&mut self) -> bool {
        self.instance.plugin_handle().get_extension::<PluginTail>().is_some()
    }

    pub fn save(&mut self) -> Vec<u8> {
        let mut bytes = Vec::new();
        assert!(self.save_to(&mut bytes), "no state");
        bytes
    }

    /// Saves into a stream of the host's.
    pub fn save_to(&mut self, stream: &mut impl Write) -> bool {
        let handle = self.instance.plugin_handle();
        let state: PluginState = handle.get_extension().expect("state");
        state.save(&handle, stream).is_ok()
    }

    pub fn load(&mut self, mut bytes: &[u8]) -> bool {
        self.load_from(&mut bytes)
    }

    /// Loads from a stream of the host's.
    pub fn load_from(&mut self, stream: &mut impl Read) -> bool {
        let handle = self.instance.plugin_handle();
        let state: PluginState = handle.get_extension().expect("state");
        state.load(&handle, stream).is_ok()
    }

    pub fn activate(&mut self, rate: f64, max_block: u32) -> bool {
        let plugin = self.raw();
        // SAFETY: called on the main thread, the plugin is alive.
        unsafe { (*plugin).activate.unwrap()(plugin, rate, 1, max_block) }
    }

    pub fn deactivate(&mut self) {
        let plugin = self.raw();
        // SAFETY: called on the main thread, the plugin is alive.
        unsafe { (*plugin).deactivate.unwrap()(plugin) }
    }

    /// Activates, plays the run on a thread of its own, deactivates.
    pub fn play(&mut self, run: &Run) -> Sound {
        assert!(self.activate(run.rate, run.max_block), "activation is refused");
        let sound = self.play_active(run);
        self.deactivate();
        self.main_thread();
        sound
    }

    /// Plays the run on a thread of its own while active.
    pub fn play_active(&mut self, run: &Run) -> Sound {
        let plugin = SendPlugin(self.raw());
        std::thread::scope(|scope| {
            scope.spawn(move || play(plugin.get(), run)).join().expect("the audio thread")
        })
    }

    /// The plugin for an audio thread, while active.
    pub fn begin(&mut self) -> Audio {
        Audio(SendPlugin(self.raw()))
    }

    pub fn reset(&mut self) {
        let plugin = self.raw();
        // SAFETY: the plugin is alive, active and not processing.
        unsafe { (*plugin).reset.unwrap()(plugin) }
    }

    /// A process call of no frames with these events, whatever their frame.
    pub fn process_flush(&mut self, events: &[Ev]) -> (i32, Sound) {
        let mut events = RawEvents(events.iter().map(|e| raw(e, 0)).collect());
        let mut ports = Ports::new(DECLARED, 0);
        let plugin = self.raw();
        // SAFETY: the plugin is alive and nothing else processes.
        let status = unsafe { call(plugin, 0, &mut ports, &mut Ports::new(SIDE, 0), &mut events) };
        (status, ports.channels())
    }

    /// A `flush` of the parameters with these events.
    pub fn flush(&mut self, events: &[Ev]) {
        let mut events = RawEvents(events.iter().map(|e| raw(e, 0)).collect());
        let list = clap_input_events {
            ctx: (&raw mut events).cast(),
            size: Some(event_count),
            get: Some(event_get),
        };
        let out_list = clap_output_events { ctx: std::ptr::null_mut(), try_push: Some(event_push) };
        let plugin = self.raw();
        // SAFETY: the plugin is alive and nothing else processes; the extension is CLAP's.
        unsafe {
            let params = (*plugin).get_extension.unwrap()(plugin, CLAP_EXT_PARAMS.as_ptr());
            let flush = (*params.cast::<clap_plugin_params>()).flush.unwrap();
            flush(plugin, &list, &out_list);
        }
    }

    /// One process call of `frames`, without anything around it; its status.
    pub fn process_once(&mut self, frames: usize, outputs: &[Port], events: &[Ev]) -> (i32, Sound) {
        let mut events = RawEvents::new(events, 0, frames as u64, false);
        let mut ports = Ports::new(outputs, frames);
        let plugin = self.raw();
        // SAFETY: the plugin is alive and nothing else processes.
        let status = unsafe { call(plugin, frames, &mut ports, &mut Ports::new(SIDE, frames), &mut events) };
        ports.check();
        (status, ports.channels())
    }
}

/// The audio side of an active plugin; its host must outlive it.
pub struct Audio(SendPlugin);

impl Audio {
    pub fn play(&mut self, run: &Run) -> Sound {
        play(self.0.get(), run)
    }
}

fn play(plugin: *const clap_plugin, run: &Run) -> Sound {
    // SAFETY: the plugin is alive and active; this is its only audio thread.
    unsafe { assert!((*plugin).start_processing.unwrap()(plugin), "processing does not start") };
    let mut sound: Sound = Ports::new(run.outputs, 0).channels();
    let (mut at, mut n) = (0, 0);
    while at < run.frames {
        let frames = (run.block)(n).clamp(1, run.max_block as usize).min(run.frames - at);
        n += 1;
        let mut events = RawEvents::new(run.events, at as u64, frames as u64, run.backwards);
        let mut outputs = Ports::new(run.outputs, frames);
        let mut inputs = Ports::new(run.inputs, frames);
        inputs.memory.iter_mut().flatten().for_each(|channel| channel[..frames].fill(run.input));
        if run.in_place {
            inputs.pointers = outputs.pointers[..inputs.pointers.len()].to_vec();
        }
        // SAFETY: as above.
        let status = unsafe { call(plugin, frames, &mut outputs, &mut inputs, &mut events) };
        assert_ne!(status, CLAP_PROCESS_ERROR, "block {n} fails");
        outputs.check();
        for (all, block) in sound.iter_mut().zip(outputs.channels()) {
            for (all, block) in all.iter_mut().zip(block) {
                all.extend(block);
            }
        }
        at += frames;
    }
    // SAFETY: as above.
    unsafe { (*plugin).stop_processing.unwrap()(plugin) };
    sound
}

/// # Safety
/// `plugin` is alive and processed by nobody else.
unsafe fn call(
    plugin: *const clap_plugin,
    frames: usize,
    outputs: &mut Ports,
    inputs: &mut Ports,
    events: &mut RawEvents,
) -> i32 {
    let list =
        clap_input_events { ctx: (&raw mut *events).cast(), size: Some(event_count), get: Some(event_get) };
    let out_list = clap_output_events { ctx: std::ptr::null_mut(), try_push: Some(event_push) };
    let process = clap_process {
        steady_time: -1,
        frames_count: frames as u32,
        transport: std::ptr::null(),
        audio_inputs: inputs.buffers().as_ptr(),
        audio_outputs: outputs.buffers().as_mut_ptr(),
        audio_inputs_count: inputs.ports.len() as u32,
        audio_outputs_count: outputs.ports.len() as u32,
        in_events: &list,
        out_events: &out_list,
    };
    // SAFETY: by this function's contract.
    unsafe { (*plugin).process.unwrap()(plugin, &process) }
}

const GARBAGE: f32 = 123.0;
const CANARY: f32 = -77.0;
const CANARIES: usize = 8;

/// The buffers of ports, filled with garbage, each with a canary behind it.
struct Ports {
    shapes: Vec<Port>,
    frames: usize,
    memory: Vec<Vec<Vec<f32>>>,
    pointers: Vec<Vec<*mut f32>>,
    ports: Vec<clap_audio_buffer>,
}

impl Ports {
    fn new(shapes: &[Port], frames: usize) -> Self {
        let mut memory: Vec<Vec<Vec<f32>>> = shapes
            .iter()
            .map(|shape| match shape {
                Port::Channels(n) => vec![[vec![GARBAGE; frames], vec![CANARY; CANARIES]].concat(); *n],
                _ => Vec::new(),
            })
            .collect();
        let mut pointers: Vec<Vec<*mut f32>> = Vec::new();
        for (port, shape) in shapes.iter().enumerate() {
            pointers.push(match shape {
                Port::Channels(_) => memory[port].iter_mut().map(|c| c.as_mut_ptr()).collect(),
                Port::NullChannels(n) => vec![std::ptr::null_mut(); *n],
                Port::Null => Vec::new(),
                Port::SameAsBefore => pointers[port - 1].clone(),
            });
        }
        Self { shapes: shapes.to_vec(), frames, memory, pointers, ports: Vec::new() }
    }

    fn buffers(&mut self) -> &mut [clap_audio_buffer] {
        let shapes = &self.shapes;
        self.ports = (self.pointers.iter_mut().zip(shapes))
            .map(|(pointers, shape)| clap_audio_buffer {
                data32: if *shape == Port::Null { std::ptr::null_mut() } else { pointers.as_mut_ptr() },
                data64: std::ptr::null_mut(),
                channel_count: if *shape == Port::Null { 2 } else { pointers.len() as u32 },
                latency: 0,
                constant_mask: 0,
            })
            .collect();
        &mut self.ports
    }

    fn check(&self) {
        for channel in self.memory.iter().flatten() {
            assert!(channel[self.frames..].iter().all(|s| *s == CANARY), "the plugin wrote past a buffer");
        }
    }

    fn channels(&self) -> Sound {
        let own = |c: &Vec<f32>| c[..self.frames].to_vec();
        self.memory.iter().map(|port| port.iter().map(own).collect()).collect()
    }
}
