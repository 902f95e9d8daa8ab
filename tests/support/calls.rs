//! Calls of a host in any order, legal or not, as bytes say: `tests/plugin` plays them at random, the fuzz target `plugin`
//! with coverage.

use super::{
    host::{DECLARED, Ev, Host, Port, Run, note},
    kit::{clap_state, kit, notes},
    peak,
};
use clack_extensions::gui::{GuiSize, PluginGui};
use std::sync::OnceLock;

/// Bytes as a source of choices; zeros behind their end.
struct Choices<'a>(std::slice::Iter<'a, u8>);

impl Choices<'_> {
    /// One of `count` at most 256 things.
    fn of(&mut self, count: usize) -> usize {
        usize::from(self.0.next().copied().unwrap_or(0)) % count.max(1)
    }

    /// 0 to 1.
    fn unit(&mut self) -> f64 {
        self.of(256) as f64 / 255.0
    }

    fn is_empty(&self) -> bool {
        self.0.len() == 0
    }
}

/// A plugin in the middle of some order of calls.
struct Caller<'a> {
    host: Host,
    choices: Choices<'a>,
    /// Ids of the parameters.
    ids: Vec<u32>,
    active: bool,
    /// The state saved last.
    saved: Vec<u8>,
    calls: usize,
}

/// States with sixteen pads and with none, every parameter at its default.
fn states(make: &dyn Fn() -> Host) -> &'static [Vec<u8>; 2] {
    static STATES: OnceLock<[Vec<u8>; 2]> = OnceLock::new();
    STATES.get_or_init(|| {
        let mut full = make();
        assert!(full.load(&clap_state(&kit())));
        [full.save(), make().save()]
    })
}

/// Makes the calls that `bytes` say, all from one thread. What comes out is finite, and the plugin still plays
/// afterwards. Returns how many calls there were.
pub fn perform(bytes: &[u8], make: &dyn Fn() -> Host) -> usize {
    let states = states(make);
    let mut host = make();
    let ids = host.params().into_values().collect();
    let choices = Choices(bytes.iter());
    let mut caller = Caller { host, choices, ids, active: false, saved: states[0].clone(), calls: 0 };
    while !caller.choices.is_empty() {
        caller.calls += 1;
        match caller.choices.of(4) {
            0 => caller.call_state(states),
            1 => caller.call_rarely(),
            _ => caller.process(),
        }
    }
    if caller.active {
        caller.host.deactivate();
    }
    assert!(caller.host.load(&states[0]));
    let strokes: Vec<Ev> = notes().iter().take(3).flat_map(|key| note(300, *key, 0.6)).collect();
    let sound = caller.host.play(&Run::new(2000, &strokes));
    assert!(peak(&sound[0][0]) > 0.01, "it does not play any more");
    caller.calls
}

impl Caller<'_> {
    fn events(&mut self, frames: usize) -> Vec<Ev> {
        let count = self.choices.of(12);
        let mut event = || {
            let at = (self.choices.of(256) * 3 % frames.max(1)) as u64;
            match self.choices.of(4) {
                0 => Ev::On { at, key: 36 + self.choices.of(16) as u8, velocity: self.choices.unit() },
                1 => Ev::Off { at, key: self.choices.of(128) as u8 },
                2 => {
                    let (channel, key) = (self.choices.of(18) as i16 - 1, self.choices.of(128) as u8);
                    Ev::Channel { at, channel, key, velocity: self.choices.unit() }
                }
                _ => {
                    let id = self.choices.of(256) << 8 | self.choices.of(256);
                    let value = match self.choices.of(16) {
                        0 => f64::NAN,
                        1 => f64::INFINITY,
                        2 => -1e300,
                        _ => self.choices.unit(),
                    };
                    Ev::Param { at, id: self.ids[id % self.ids.len()], value }
                }
            }
        };
        (0..count).map(|_| event()).collect()
    }

    fn process(&mut self) {
        let frames = [0, 1, 17, 64, 512, 600][self.choices.of(6)];
        let ports = match self.choices.of(8) {
            0 => &[][..],
            1 => &[Port::Null; 17],
            2 => &[Port::Channels(1); 3],
            3 => &[Port::NullChannels(2); 20],
            _ => DECLARED,
        };
        let mut events = self.events(frames);
        if self.choices.of(16) == 0 {
            // a flood
            events.extend((0..5000).map(|i| Ev::On {
                at: i % frames.max(1) as u64,
                key: 36 + (i % 16) as u8,
                velocity: 0.5,
            }));
        }
        let (_, sound) = self.host.process_once(frames, ports, &events);
        assert!(sound.iter().flatten().flatten().all(|s| s.is_finite()));
    }

    fn call_state(&mut self, states: &[Vec<u8>; 2]) {
        match self.choices.of(6) {
            0 => self.saved = self.host.save(),
            1 => assert!(self.host.load(&self.saved), "its own state is taken back"),
            2 => assert!(self.host.load(&states[0])),
            3 => assert!(self.host.load(&states[1])),
            _ => {
                let mut broken = self.saved.clone();
                for _ in 0..=self.choices.of(3) {
                    let at = (self.choices.of(256) << 16 | self.choices.of(256) << 8 | self.choices.of(256))
                        % broken.len();
                    broken[at] ^= 1 << self.choices.of(8);
                }
                let kept = broken.len() * self.choices.of(256) / 255;
                if self.choices.of(2) == 0 {
                    broken.truncate(kept);
                }
                // taken or refused
                let _ = self.host.load(&broken);
            }
        }
    }

    fn call_rarely(&mut self) {
        match self.choices.of(8) {
            0 | 1 if self.active => {
                self.host.deactivate();
                self.active = false;
            }
            0 | 1 => {
                let rate = [8000.0, 44_100.0, 48_000.0, 192_000.0, 1.0, f64::NAN][self.choices.of(6)];
                self.active = self.host.activate(rate, [1, 64, 512, 16_384][self.choices.of(4)]);
            }
            2 if self.active => self.host.reset(),
            2 | 3 => self.host.main_thread(),
            4 => {
                let events = self.events(0);
                self.host.flush(&events);
            }
            5 => {
                let events = self.events(0);
                self.host.process_flush(&events);
            }
            6 => drop((self.host.note_names(), self.host.ports(false), self.host.latency())),
            _ => self.window(),
        }
    }

    /// What a host asks about the window before it has a place for it.
    fn window(&mut self) {
        let handle = self.host.instance.plugin_handle();
        let Some(gui) = handle.get_extension::<PluginGui>() else { return };
        let size = GuiSize { width: self.choices.of(256) as u32 * 20, height: self.choices.of(256) as u32 };
        let _ = (gui.get_size(&handle), gui.can_resize(&handle), gui.adjust_size(&handle, size));
        gui.destroy(&handle);
    }
}
