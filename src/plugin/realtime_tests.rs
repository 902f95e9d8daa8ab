//! What the audio thread must not do, through the CLAP guard: allocate, or call the system.

use super::{tests::TestInstance, *};
use crate::plugin::event_reduction::MAX_EVENTS;
use clap_sys::{
    events::{
        CLAP_CORE_EVENT_SPACE_ID, CLAP_EVENT_NOTE_CHOKE, CLAP_EVENT_NOTE_OFF, CLAP_EVENT_NOTE_ON,
        CLAP_EVENT_PARAM_VALUE, clap_event_header, clap_event_note, clap_event_param_value,
    },
    process::CLAP_PROCESS_ERROR,
};
use std::sync::atomic::AtomicU32;

/// A host's events of one block.
enum Event {
    Note(clap_event_note),
    Value(clap_event_param_value),
}

fn header(size: usize, time: u32, type_: u16) -> clap_event_header {
    clap_event_header { size: size as u32, time, space_id: CLAP_CORE_EVENT_SPACE_ID, type_, flags: 0 }
}

fn note(type_: u16, time: u32, key: usize) -> Event {
    Event::Note(clap_event_note {
        header: header(size_of::<clap_event_note>(), time, type_),
        note_id: -1,
        port_index: 0,
        channel: 0,
        key: key as i16,
        velocity: 0.8,
    })
}

fn value(time: u32, param_id: u32, value: f64) -> Event {
    Event::Value(clap_event_param_value {
        header: header(size_of::<clap_event_param_value>(), time, CLAP_EVENT_PARAM_VALUE),
        param_id,
        cookie: std::ptr::null_mut(),
        note_id: -1,
        port_index: -1,
        channel: -1,
        key: -1,
        value,
    })
}

unsafe extern "C" fn event_count(list: *const clap_input_events) -> u32 {
    // SAFETY: made by `list_of`.
    unsafe { &*(*list).ctx.cast::<Vec<Event>>() }.len() as u32
}
unsafe extern "C" fn event_get(list: *const clap_input_events, index: u32) -> *const clap_event_header {
    // SAFETY: made by `list_of`.
    match unsafe { &(&*(*list).ctx.cast::<Vec<Event>>())[index as usize] } {
        Event::Note(event) => &event.header,
        Event::Value(event) => &event.header,
    }
}
unsafe extern "C" fn event_push(_: *const clap_output_events, _: *const clap_event_header) -> bool {
    true
}

fn list_of(events: &Vec<Event>) -> clap_input_events {
    clap_input_events {
        ctx: std::ptr::from_ref(events).cast_mut().cast(),
        size: Some(event_count),
        get: Some(event_get),
    }
}

const OUT: clap_output_events = clap_output_events { ctx: std::ptr::null_mut(), try_push: Some(event_push) };

static FLUSHED: AtomicU32 = AtomicU32::new(0);

/// The framework's `flush` in a test: counts the events, and keeps the last value.
unsafe extern "C" fn counting_flush(
    _: *const clap_plugin,
    list: *const clap_input_events,
    _: *const clap_output_events,
) {
    // SAFETY: a whole list.
    let (count, last) = unsafe {
        let count = (*list).size.unwrap()(list);
        (count, (*list).get.unwrap()(list, count - 1))
    };
    // SAFETY: the last event of the test is a value.
    assert_eq!(unsafe { (*last.cast::<clap_event_param_value>()).value }, 0.75);
    FLUSHED.store(count, Ordering::SeqCst);
}

type GetExtension = unsafe extern "C" fn(*const clap_plugin, *const c_char) -> *const c_void;
static FRAMEWORKS_EXTENSIONS: OnceLock<GetExtension> = OnceLock::new();

/// The framework's extensions, of which the parameters count what is flushed.
unsafe extern "C" fn counting_extension(plugin: *const clap_plugin, id: *const c_char) -> *const c_void {
    static COUNTING: OnceLock<clap_plugin_params> = OnceLock::new();
    // SAFETY: the framework's own function with the pointer it expects; a C string; the extension is the one asked for.
    unsafe {
        let inner = FRAMEWORKS_EXTENSIONS.get().unwrap()(plugin, id);
        if CStr::from_ptr(id) != CLAP_EXT_PARAMS {
            return inner;
        }
        let counting =
            || clap_plugin_params { flush: Some(counting_flush), ..*inner.cast::<clap_plugin_params>() };
        std::ptr::from_ref(COUNTING.get_or_init(counting)).cast()
    }
}

/// With more events the framework allocates and logs, also where the audio thread flushes.
#[test]
fn flush_passes_on_at_most_max_events() {
    let instance = TestInstance::new();
    let take_count = |what: &str| {
        let count = FLUSHED.swap(0, Ordering::SeqCst);
        assert!((1..=MAX_EVENTS as u32).contains(&count), "{count} events {what}");
    };
    // SAFETY: in the order that CLAP demands; the lists are whole; nothing else uses the instance meanwhile.
    unsafe {
        let ids = parameter_ids(instance.guard(), instance.plugin);
        let mut events: Vec<_> = (0..30_000).map(|i| note(CLAP_EVENT_NOTE_ON, 0, 36 + i % 16)).collect();
        events.push(value(0, ids[3], 0.75));
        let (list, out) = (list_of(&events), OUT);
        let inner = &raw mut (*instance.plugin.cast_mut().cast::<GuardClap>()).inner;
        FRAMEWORKS_EXTENSIONS.set((*inner).get_extension.unwrap()).unwrap();
        (*inner).get_extension = Some(counting_extension);

        let params = get_extension(instance.plugin, CLAP_EXT_PARAMS.as_ptr()).cast::<clap_plugin_params>();
        let flush = (*params).flush.unwrap();
        flush(instance.plugin, &list, &out);
        take_count("while inactive");
        assert!(activate(instance.plugin, 48_000.0, 1, 64));
        flush(instance.plugin, &list, &out);
        take_count("while active");
        let mut call: clap_process = std::mem::zeroed();
        (call.in_events, call.out_events) = (&list, &out);
        assert_ne!(process(instance.plugin, &call), CLAP_PROCESS_ERROR);
        take_count("in a block of no frames");
        deactivate(instance.plugin);
    }
}

/// Everything that an audio thread is asked for, in memory taken beforehand.
#[cfg(all(target_os = "linux", target_arch = "x86_64"))]
mod system_calls {
    use super::*;
    use kitwright_core::session::PadTrigger;
    use std::{
        process::Command,
        sync::atomic::{AtomicBool, AtomicUsize, Ordering::SeqCst},
        time::{Duration, Instant},
    };

    const FRAMES: usize = 256;
    const BLOCKS: usize = 1500;

    /// From here on any system call of this thread but the end of the process ends the process (seccomp(2)).
    fn forbid_system_calls() {
        let statement = |code: u32, k: u32| libc::sock_filter { code: code as u16, jt: 0, jf: 0, k };
        let mut program = [
            // the number of the call, at offset 0 of its description
            statement(libc::BPF_LD | libc::BPF_W | libc::BPF_ABS, 0),
            libc::sock_filter {
                code: (libc::BPF_JMP | libc::BPF_JEQ | libc::BPF_K) as u16,
                jt: 0,
                jf: 1,
                k: libc::SYS_exit_group as u32,
            },
            statement(libc::BPF_RET | libc::BPF_K, libc::SECCOMP_RET_ALLOW),
            statement(libc::BPF_RET | libc::BPF_K, libc::SECCOMP_RET_KILL_PROCESS),
        ];
        let filter = libc::sock_fprog { len: program.len() as u16, filter: program.as_mut_ptr() };
        // SAFETY: a whole program of four statements; it holds for this thread only.
        unsafe {
            assert_eq!(libc::prctl(libc::PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0), 0);
            let mode = libc::SECCOMP_MODE_FILTER;
            assert_eq!(libc::prctl(libc::PR_SET_SECCOMP, mode, &raw const filter, 0, 0), 0);
        }
    }

    /// One block with a side input and all outputs; their peak.
    fn block(plugin: *const clap_plugin, memory: &mut [Vec<f32>], events: &Vec<Event>, frames: usize) -> f32 {
        let mut channels: [*mut f32; 36] = std::array::from_fn(|i| memory[i].as_mut_ptr());
        let mut ports: [clap_audio_buffer; 18] = std::array::from_fn(|port| clap_audio_buffer {
            data32: channels[2 * port..].as_mut_ptr(),
            data64: std::ptr::null_mut(),
            channel_count: 2,
            latency: 0,
            constant_mask: 0,
        });
        let list = list_of(events);
        let call = clap_process {
            steady_time: -1,
            frames_count: frames as u32,
            transport: std::ptr::null(),
            audio_inputs: &ports[17],
            audio_outputs: ports.as_mut_ptr(),
            audio_inputs_count: 1,
            audio_outputs_count: 17,
            in_events: &list,
            out_events: &OUT,
        };
        // SAFETY: a whole call; the plugin is active and this is its only audio thread.
        assert_ne!(unsafe { process(plugin, &call) }, CLAP_PROCESS_ERROR);
        let outputs = memory[..34].iter().flat_map(|channel| &channel[..frames]);
        outputs.fold(0.0, |peak, x| peak.max(x.abs()))
    }

    /// Events of the blocks, which are played again and again: notes, chokes, automation (values below a half leave mutes
    /// off), a flood.
    fn performance(ids: &[u32]) -> Vec<Vec<Event>> {
        let of_block = |b: usize| match b % 24 {
            23 => (0..10_000).map(|i| note(CLAP_EVENT_NOTE_ON, (i / 64) as u32, 36 + i % 16)).collect(),
            _ => vec![
                note(CLAP_EVENT_NOTE_ON, 3, 36 + b % 16),
                value(17, ids[b * 7 % ids.len()], 0.3 + 0.01 * (b % 19) as f64),
                note([CLAP_EVENT_NOTE_OFF, CLAP_EVENT_NOTE_CHOKE][b % 2], 90, 36 + b * 5 % 16),
            ],
        };
        (0..240).map(of_block).collect()
    }

    struct Audio(*const clap_plugin);
    // SAFETY: CLAP's audio functions may be called from another thread, one at a time.
    unsafe impl Send for Audio {}

    static BLOCKS_DONE: AtomicUsize = AtomicUsize::new(0);
    static SOUNDED: AtomicBool = AtomicBool::new(false);

    fn audio_thread(audio: Audio, performance: Vec<Vec<Event>>, calls_the_system: bool) {
        let Audio(plugin) = audio;
        let mut memory = vec![vec![0.1_f32; FRAMES]; 36];
        block(plugin, &mut memory, &Vec::new(), FRAMES);
        // SAFETY: active and not processing at that moment, here and below.
        let reset = unsafe { guard(plugin) }.inner.reset.unwrap();
        forbid_system_calls();
        for b in 0..BLOCKS {
            let frames = [FRAMES, 1, 64, 0, 255][b % 5];
            if block(plugin, &mut memory, &performance[b % performance.len()], frames) > 1e-4 {
                SOUNDED.store(true, SeqCst);
            }
            if b % 400 == 399 {
                // SAFETY: as above.
                unsafe { reset(plugin) };
            }
            BLOCKS_DONE.store(b + 1, SeqCst);
            // time for the main thread's calls; waiting would be a system call
            let begun = Instant::now();
            while begun.elapsed() < Duration::from_micros(300) {
                std::hint::spin_loop();
            }
            if calls_the_system {
                std::thread::sleep(Duration::from_millis(1));
            }
        }
        // the end of a thread is a call as well
        loop {
            std::hint::spin_loop();
        }
    }

    /// The main thread meanwhile: other kits, undo, recording, strokes of the window, states.
    fn main_thread(instance: &TestInstance) {
        let session = instance.guard().link.session.clone();
        let started = Instant::now();
        let mut round = 0;
        while BLOCKS_DONE.load(SeqCst) < BLOCKS {
            assert!(started.elapsed() < Duration::from_secs(60), "the audio thread is stuck");
            match round % 6 {
                0 => instance.load_kit(),
                1 => drop(session.undo()),
                2 => session.record(0.0, kitwright_core::session::RecordOptions::default()),
                3 => session.trigger(PadTrigger { pad: round % 16, velocity: 0.9 }),
                4 => session.discard_recording(),
                _ => session.restore(session.state().unwrap().to_string()),
            }
            round += 1;
            std::thread::sleep(Duration::from_millis(1));
        }
        assert!(SOUNDED.load(SeqCst), "nothing sounded");
        println!("{BLOCKS} blocks beside {round} calls of the main thread, no system call");
    }

    fn play_without_system_calls(calls_the_system: bool) -> ! {
        let instance = TestInstance::new();
        instance.load_kit();
        // SAFETY: in the order that CLAP demands.
        let ids = unsafe {
            assert!(activate(instance.plugin, 48_000.0, 1, FRAMES as u32));
            parameter_ids(instance.guard(), instance.plugin)
        };
        let (audio, performance) = (Audio(instance.plugin), performance(&ids));
        std::thread::spawn(move || audio_thread(audio, performance, calls_the_system));
        main_thread(&instance);
        std::process::exit(0);
    }

    #[test]
    #[ignore = "another test runs it in a process of its own"]
    fn plays_without_system_calls() {
        play_without_system_calls(false);
    }

    #[test]
    #[ignore = "is killed, on purpose: see the_audio_thread_makes_no_system_call"]
    fn plays_with_system_calls() {
        play_without_system_calls(true);
    }

    fn run_alone(test: &str) -> std::process::Output {
        let me = std::env::current_exe().expect("the test's own path");
        let test = format!("plugin::guard_clap::realtime_tests::system_calls::{test}");
        Command::new(me).args(["--ignored", "--exact", "--nocapture", &test]).output().expect("it starts")
    }

    #[test]
    fn the_audio_thread_makes_no_system_call() {
        use std::os::unix::process::ExitStatusExt;
        let run = run_alone("plays_without_system_calls");
        let text = [run.stdout, run.stderr].concat();
        let text = String::from_utf8_lossy(&text);
        assert!(run.status.success() && text.contains("no system call"), "{}: {text}", run.status);
        println!("{}", text.lines().find(|l| l.contains("no system call")).unwrap_or_default());
        assert_eq!(run_alone("plays_with_system_calls").status.signal(), Some(libc::SIGSYS));
    }
}
