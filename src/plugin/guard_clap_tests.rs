//! The CLAP guard within this process: the window's requests reach the host and the audio thread.

use super::{
    super::{job_tests::are_destroyed_while_they_work, limits::KIT_TIMEOUT},
    *,
};
use clap_sys::{
    color::clap_color,
    ext::{
        context_menu::{
            CLAP_CONTEXT_MENU_ITEM_ENTRY, CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, CLAP_EXT_CONTEXT_MENU,
            clap_context_menu_builder, clap_context_menu_entry, clap_context_menu_target,
            clap_plugin_context_menu,
        },
        param_indication::{
            CLAP_EXT_PARAM_INDICATION, CLAP_PARAM_INDICATION_AUTOMATION_NONE,
            CLAP_PARAM_INDICATION_AUTOMATION_PLAYING, clap_plugin_param_indication,
        },
        preset_load::{CLAP_EXT_PRESET_LOAD, clap_plugin_preset_load},
        track_info::{
            CLAP_EXT_TRACK_INFO, CLAP_TRACK_INFO_HAS_TRACK_COLOR, CLAP_TRACK_INFO_HAS_TRACK_NAME,
            clap_host_track_info, clap_track_info,
        },
    },
    factory::preset_discovery::CLAP_PRESET_DISCOVERY_LOCATION_FILE,
};
use kitwright_core::{
    demo,
    export::write_take,
    kit::{Kit, Slice, TakeEntry},
    progress::Quiet,
    session::{Job, PadTrigger},
    take::Take,
};
use std::{ffi::CString, sync::atomic::AtomicU32};

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
static HOST_TRACK: clap_host_track_info = clap_host_track_info { get: Some(track_info) };
/// A track called "Drums", of one colour.
unsafe extern "C" fn track_info(_: *const clap_host, info: *mut clap_track_info) -> bool {
    // SAFETY: the plugin's own structure.
    let info = unsafe { &mut *info };
    info.flags = CLAP_TRACK_INFO_HAS_TRACK_NAME | CLAP_TRACK_INFO_HAS_TRACK_COLOR;
    for (to, from) in info.name.iter_mut().zip(b"Drums\0") {
        *to = *from as c_char;
    }
    info.color = clap_color { alpha: 255, red: 32, green: 64, blue: 160 };
    true
}
unsafe extern "C" fn extension(_: *const clap_host, id: *const c_char) -> *const c_void {
    // SAFETY: a C string.
    match unsafe { CStr::from_ptr(id) } {
        id if id == CLAP_EXT_STATE => (&raw const HOST_STATE).cast(),
        id if id == CLAP_EXT_NOTE_NAME => (&raw const HOST_NAMES).cast(),
        id if id == CLAP_EXT_TRACK_INFO => (&raw const HOST_TRACK).cast(),
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
    pub fn block(&self) -> Vec<f32> {
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

#[test]
fn the_name_and_the_colour_of_the_track_reach_the_window() {
    let instance = TestInstance::new();
    let params = instance.guard().link.params.upgrade().unwrap();
    let track = params.facts.track().expect("a track");
    assert_eq!((track.name.as_str(), track.colour), ("Drums", Some([32, 64, 160])));
}

/// An extension of the instance.
fn plugin_extension<T>(instance: &TestInstance, id: &CStr) -> &'static T {
    // SAFETY: the plugin's extensions are constants of this program.
    unsafe { get_extension(instance.plugin, id.as_ptr()).cast::<T>().as_ref().expect("the extension") }
}

#[test]
fn what_the_host_maps_and_automates_reaches_the_window() {
    let instance = TestInstance::new();
    let indication: &clap_plugin_param_indication = plugin_extension(&instance, CLAP_EXT_PARAM_INDICATION);
    let params = instance.guard().link.params.upgrade().unwrap();
    // SAFETY: the plugin is alive; this is the main thread.
    let ids = unsafe { parameter_ids(instance.guard(), instance.plugin) };
    let colour = clap_color { alpha: 255, red: 1, green: 2, blue: 3 };
    // the level of pad 1 comes after the kit's own six
    let level = ids[6];
    let seen = || params.facts.indication(6).map(|i| (i.words, i.colour));
    // SAFETY: as CLAP demands.
    unsafe {
        let map = indication.set_mapping.unwrap();
        let automate = indication.set_automation.unwrap();
        map(instance.plugin, level, true, &colour, c"Macro 1".as_ptr(), std::ptr::null());
        assert_eq!(seen(), Some(("mapped to Macro 1".into(), Some([1, 2, 3]))));
        automate(instance.plugin, level, CLAP_PARAM_INDICATION_AUTOMATION_PLAYING, std::ptr::null());
        assert_eq!(seen().unwrap().0, "mapped to Macro 1, automation plays");
        map(instance.plugin, level, false, std::ptr::null(), std::ptr::null(), std::ptr::null());
        assert_eq!(seen(), Some(("automation plays".into(), None)));
        automate(instance.plugin, level, CLAP_PARAM_INDICATION_AUTOMATION_NONE, std::ptr::null());
        assert_eq!((seen(), params.facts.indication(7)), (None, None));
        // an id that is none of ours
        map(instance.plugin, 12_345, true, &colour, std::ptr::null(), std::ptr::null());
    }
}

unsafe extern "C" fn add_item(
    builder: *const clap_context_menu_builder,
    kind: u32,
    data: *const c_void,
) -> bool {
    assert_eq!(kind, CLAP_CONTEXT_MENU_ITEM_ENTRY);
    // SAFETY: the test's own list; the plugin's entry.
    unsafe {
        let entry = &*data.cast::<clap_context_menu_entry>();
        let label = CStr::from_ptr(entry.label).to_string_lossy().into_owned();
        (*(*builder).ctx.cast::<Vec<(String, u32)>>()).push((label, entry.action_id));
    }
    true
}

#[test]
fn the_hosts_menu_of_a_parameter_resets_it() {
    let instance = TestInstance::new();
    let menu: &clap_plugin_context_menu = plugin_extension(&instance, CLAP_EXT_CONTEXT_MENU);
    let params = instance.guard().link.params.upgrade().unwrap();
    let mut trims = params.trims();
    trims.pads[0].level_db = -12.0;
    params.take_trims(&trims);
    // SAFETY: as CLAP demands; the list outlives the builder.
    unsafe {
        let level = parameter_ids(instance.guard(), instance.plugin)[6];
        let target = |id| clap_context_menu_target { kind: CLAP_CONTEXT_MENU_TARGET_KIND_PARAM, id };
        let mut entries: Vec<(String, u32)> = Vec::new();
        let builder = clap_context_menu_builder {
            ctx: (&raw mut entries).cast(),
            add_item: Some(add_item),
            supports: None,
        };
        assert!(menu.populate.unwrap()(instance.plugin, &target(level), &builder));
        assert!(menu.populate.unwrap()(instance.plugin, &target(12_345), &builder));
        let [(label, action)] = &entries[..] else { panic!("{entries:?}") };
        assert_eq!(label, "Reset to default");
        assert!(!menu.perform.unwrap()(instance.plugin, &target(level), action + 1));
        assert_eq!(params.trims().pads[0].level_db, -12.0);
        assert!(menu.perform.unwrap()(instance.plugin, &target(level), *action));
    }
    assert_eq!(params.trims(), kitwright_core::kit::Trims::default());
}

#[test]
fn a_preset_is_refused_while_other_work_runs() {
    let dir = tempfile::tempdir().unwrap();
    let (recording, kit) = (dir.path().join("take.wav"), dir.path().join("a kit.kitwright"));
    write_take(&demo::borrowed_cello(1).0, &recording).unwrap();
    let instance = TestInstance::new();
    instance.load_kit();
    let session = &instance.guard().link.session;
    session.kit().save(&kit, &Quiet).unwrap();
    let preset: &clap_plugin_preset_load = plugin_extension(&instance, CLAP_EXT_PRESET_LOAD);
    let path = CString::new(kit.to_str().unwrap()).unwrap();
    // SAFETY: as CLAP demands.
    let load = || unsafe {
        let (load, kind) = (preset.from_location.unwrap(), CLAP_PRESET_DISCOVERY_LOCATION_FILE);
        load(instance.plugin, kind, path.as_ptr(), std::ptr::null())
    };
    session.start(Job::NewKit { takes: vec![recording], fit: 1.0 });
    assert!(session.job().is_some());
    assert!(!load());
    assert!(session.job().is_some(), "the work goes on");
    session.cancel();
    until("the end of the work", || session.job().is_none());
    assert!(load());
}

#[test]
fn an_instance_is_destroyed_while_its_session_works() {
    are_destroyed_while_they_work(|| {
        let instance = TestInstance::new();
        let session = Arc::downgrade(&instance.guard().link.session);
        (session, Box::new(move || drop(instance)))
    });
}
