//! The CLAP guard within this process: the window's requests reach the host and the audio thread.

use super::{super::limits::KIT_TIMEOUT, *};
use kitwright_core::{
    kit::{Kit, Slice, TakeEntry},
    session::PadTrigger,
    take::Take,
};
use std::sync::atomic::AtomicU32;

#[derive(Default)]
struct HostCallbacks {
    callbacks: AtomicU32,
    dirty: AtomicU32,
    names: AtomicU32,
}

unsafe fn callbacks<'a>(host: *const clap_host) -> &'a HostCallbacks {
    // SAFETY: the test's own host.
    unsafe { &*(*host).host_data.cast::<HostCallbacks>() }
}
unsafe extern "C" fn callback(host: *const clap_host) {
    // SAFETY: the test's own host, here and below.
    unsafe { callbacks(host) }.callbacks.fetch_add(1, Ordering::SeqCst);
}
unsafe extern "C" fn nothing(_: *const clap_host) {}
unsafe extern "C" fn mark_dirty(host: *const clap_host) {
    // SAFETY: as above.
    unsafe { callbacks(host) }.dirty.fetch_add(1, Ordering::SeqCst);
}
unsafe extern "C" fn names_changed(host: *const clap_host) {
    // SAFETY: as above.
    unsafe { callbacks(host) }.names.fetch_add(1, Ordering::SeqCst);
}
static HOST_STATE: clap_host_state = clap_host_state { mark_dirty: Some(mark_dirty) };
static HOST_NAMES: clap_host_note_name = clap_host_note_name { changed: Some(names_changed) };
unsafe extern "C" fn extension(_: *const clap_host, id: *const c_char) -> *const c_void {
    // SAFETY: a C string.
    match unsafe { CStr::from_ptr(id) } {
        id if id == CLAP_EXT_STATE => (&raw const HOST_STATE).cast(),
        id if id == CLAP_EXT_NOTE_NAME => (&raw const HOST_NAMES).cast(),
        _ => std::ptr::null(),
    }
}

/// An instance within this process, with its host.
pub(super) struct TestInstance {
    callbacks: Box<HostCallbacks>,
    _host: Box<clap_host>,
    pub plugin: *const clap_plugin,
}

impl TestInstance {
    pub fn new() -> Self {
        let callbacks = Box::new(HostCallbacks::default());
        let host = Box::new(clap_host {
            clap_version: CLAP_VERSION,
            host_data: (&raw const *callbacks).cast_mut().cast(),
            name: c"test".as_ptr(),
            vendor: c"".as_ptr(),
            url: c"".as_ptr(),
            version: c"1".as_ptr(),
            get_extension: Some(extension),
            request_restart: Some(nothing),
            request_process: Some(nothing),
            request_callback: Some(callback),
        });
        // SAFETY: a whole host, which outlives the plugin.
        let plugin = unsafe { create_plugin(&FACTORY, &*host, descriptor().clap_id().as_ptr()) };
        assert!(!plugin.is_null());
        // SAFETY: the plugin that was just made.
        assert!(unsafe { init(plugin) });
        Self { callbacks, _host: host, plugin }
    }

    pub fn guard(&self) -> &GuardClap {
        // SAFETY: alive as long as this.
        unsafe { guard(self.plugin) }
    }

    pub fn load_kit(&self) {
        let samples: Vec<f32> = (0..9600).map(|i| (i as f32 * 0.05).sin() * 0.5).collect();
        let take = Take::from_samples("tone", 48_000, vec![samples]);
        self.guard().link.session.edit("a kit", |kit: &mut Kit| {
            kit.doc.takes.push(TakeEntry::new(&take, Vec::new()));
            kit.doc.pads[3].slices =
                vec![Slice { take: 0, start: 0, end: 9600, gain_db: 0.0, velocities: [0.0, 1.0] }];
            kit.takes.push(Arc::new(take));
        });
    }

    /// One block with this side input.
    fn side_block(&self, side: [&[f32]; 2]) {
        let mut pointers = side.map(|channel| channel.as_ptr().cast_mut());
        let port = clap_audio_buffer {
            data32: pointers.as_mut_ptr(),
            data64: std::ptr::null_mut(),
            channel_count: 2,
            latency: 0,
            constant_mask: 0,
        };
        let call = clap_process {
            steady_time: -1,
            frames_count: side[0].len() as u32,
            transport: std::ptr::null(),
            audio_inputs: &port,
            audio_outputs: std::ptr::null_mut(),
            audio_inputs_count: 1,
            audio_outputs_count: 0,
            in_events: std::ptr::null(),
            out_events: std::ptr::null(),
        };
        // SAFETY: a whole call; the plugin only reads its inputs.
        assert_ne!(unsafe { process(self.plugin, &call) }, CLAP_PROCESS_ERROR);
    }

    /// One block of 512 frames; the main output's left channel.
    fn block(&self) -> Vec<f32> {
        let mut channels = [vec![9.0_f32; 512], vec![9.0; 512]];
        let mut pointers = [channels[0].as_mut_ptr(), channels[1].as_mut_ptr()];
        let mut port = clap_audio_buffer {
            data32: pointers.as_mut_ptr(),
            data64: std::ptr::null_mut(),
            channel_count: 2,
            latency: 0,
            constant_mask: 0,
        };
        let call = clap_process {
            steady_time: -1,
            frames_count: 512,
            transport: std::ptr::null(),
            audio_inputs: std::ptr::null(),
            audio_outputs: &mut port,
            audio_inputs_count: 0,
            audio_outputs_count: 1,
            in_events: std::ptr::null(),
            out_events: std::ptr::null(),
        };
        // SAFETY: a whole call.
        assert_ne!(unsafe { process(self.plugin, &call) }, CLAP_PROCESS_ERROR);
        std::mem::take(&mut channels[0])
    }
}

impl Drop for TestInstance {
    fn drop(&mut self) {
        // SAFETY: used no more.
        unsafe { destroy(self.plugin) };
    }
}

fn peak(samples: &[f32]) -> f32 {
    samples.iter().fold(0.0, |a, b| a.max(b.abs()))
}

#[test]
fn a_change_of_the_kit_marks_the_project_and_renames_the_keys_on_the_main_thread() {
    let instance = TestInstance::new();
    let counts = || [&instance.callbacks.dirty, &instance.callbacks.names].map(|c| c.load(Ordering::SeqCst));
    instance.load_kit();
    assert_eq!(instance.callbacks.callbacks.load(Ordering::SeqCst), 1);
    assert_eq!(counts(), [0, 0], "only the main thread may call the host");
    // SAFETY: this is the main thread.
    unsafe { on_main_thread(instance.plugin) };
    assert_eq!(counts(), [1, 1]);
    // SAFETY: as above.
    unsafe { on_main_thread(instance.plugin) };
    assert_eq!(counts(), [1, 1], "once for each change");
    instance.guard().link.session.undo();
    // SAFETY: as above.
    unsafe { on_main_thread(instance.plugin) };
    assert_eq!(counts(), [2, 2], "undo is a change as well");
}

#[test]
fn pads_and_takes_played_from_the_window_sound() {
    let instance = TestInstance::new();
    instance.load_kit();
    // SAFETY: in the order that CLAP demands.
    unsafe { assert!(activate(instance.plugin, 48_000.0, 1, 512)) };
    assert_eq!(peak(&instance.block()), 0.0);
    let session = &instance.guard().link.session;
    session.trigger(PadTrigger { pad: 3, velocity: 1.0 });
    assert!(peak(&instance.block()) > 0.1, "the pad sounds");
    session.trigger(PadTrigger { pad: 99, velocity: 1.0 });
    // SAFETY: as above.
    unsafe { instance.guard().inner.reset.unwrap()(instance.plugin) };
    assert_eq!(peak(&instance.block()), 0.0);

    session.preview(0, 1000, 2000);
    let output = [instance.block(), instance.block(), instance.block(), instance.block()].concat();
    let expected =
        |i: usize| ((1000 + i) as f32 * 0.05).sin() * 0.5 * 0.35 * kitwright_core::units::db_to_gain(-1.0);
    for (i, &is) in output.iter().enumerate().take(900).skip(300) {
        assert!((is - expected(i)).abs() < 1e-4, "frame {i}: {is} for {}", expected(i));
    }
    assert_eq!(peak(&output[1300..]), 0.0, "after its end");
    // SAFETY: as above.
    unsafe { deactivate(instance.plugin) };
}

#[test]
fn a_new_preview_ends_the_last_one_without_a_click() {
    let instance = TestInstance::new();
    instance.load_kit();
    // SAFETY: in the order that CLAP demands.
    unsafe { assert!(activate(instance.plugin, 48_000.0, 1, 512)) };
    let session = &instance.guard().link.session;
    session.preview(0, 0, 9600);
    let mut output = instance.block();
    session.preview(0, 4000, 9600);
    output.extend(instance.block());
    output.extend(instance.block());
    session.preview(0, 0, 0);
    output.extend([instance.block(), instance.block()].concat());
    // the sine moves by at most 0.05 * 0.5 * 0.35 a frame, the fades add a little
    let step = output.windows(2).map(|w| (w[1] - w[0]).abs()).fold(0.0, f32::max);
    assert!(step < 0.012, "a step of {step}");
    assert_eq!(peak(&output[4 * 512..]), 0.0, "an empty range ends it");
    // SAFETY: as above.
    unsafe { deactivate(instance.plugin) };
}

#[test]
fn a_loaded_state_is_no_change_of_the_project() {
    let instance = TestInstance::new();
    instance.load_kit();
    // SAFETY: this is the main thread.
    unsafe { on_main_thread(instance.plugin) };
    let session = &instance.guard().link.session;
    let state = session.state().unwrap();
    session.undo();
    // SAFETY: as above.
    unsafe { on_main_thread(instance.plugin) };
    let dirty = instance.callbacks.dirty.load(Ordering::SeqCst);
    session.restore(state.to_string());
    assert!(session.wait_ready(KIT_TIMEOUT));
    // SAFETY: as above.
    unsafe { on_main_thread(instance.plugin) };
    assert_eq!(instance.callbacks.dirty.load(Ordering::SeqCst), dirty);
    assert_eq!(session.kit().takes.len(), 1, "it was loaded");
}

/// Waits for what threads of the session do; a guard against hanging, not a measure.
fn until(what: &str, done: impl Fn() -> bool) {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(300);
    while !done() {
        assert!(std::time::Instant::now() < end, "{what} never happens");
        std::thread::sleep(std::time::Duration::from_millis(2));
    }
}

#[test]
fn what_comes_in_at_the_side_is_in_the_state_bit_for_bit_whatever_the_blocks() {
    let instance = TestInstance::new();
    instance.load_kit();
    // SAFETY: in the order that CLAP demands.
    unsafe { assert!(activate(instance.plugin, 48_000.0, 1, 8192)) };
    let session = &instance.guard().link.session;
    // on the 24-bit grid of takes; every frame another number
    let left: Vec<f32> = (0..150_000).map(|i| ((i * 7919) % 1_000_003) as f32 / 8_388_608.0).collect();
    let right: Vec<f32> = left.iter().map(|x| -x).collect();
    let feed = |blocks: &[usize]| {
        let mut at = 0;
        for block in blocks.iter().cycle() {
            let end = (at + block).min(left.len());
            instance.side_block([&left[at..end], &right[at..end]]);
            at = end;
            if at == left.len() {
                break;
            }
        }
    };
    for (takes, blocks) in [(2, &[1_usize, 17, 64][..]), (3, &[512]), (4, &[8192]), (5, &[8191, 3, 1000])] {
        session.record(0.5, Default::default());
        feed(blocks);
        session.stop_recording();
        until("the take", || session.kit().takes.len() == takes);
        let packed = session.state().unwrap();
        let bytes =
            base64::Engine::decode(&base64::engine::general_purpose::STANDARD, packed.as_bytes()).unwrap();
        let saved = Kit::from_bytes(&bytes, &kitwright_core::progress::Quiet).unwrap();
        assert!(saved.takes[takes - 1].channels == [&left[..], &right[..]], "blocks of {blocks:?}");
        until("the end of the job", || session.job().is_none());
    }
    // what nobody recorded is kept as well
    feed(&[333]);
    assert!(session.keep_last(0.5));
    until("the take", || session.kit().takes.len() == 6);
    let kept = &session.kit().takes[5].channels;
    assert!(kept[0].len() >= left.len() && kept[0].ends_with(&left) && kept[1].ends_with(&right));
    // SAFETY: as above.
    unsafe { deactivate(instance.plugin) };
}
