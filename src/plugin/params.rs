//! The host's parameters, built from the tables of settings.
//!
//! A parameter's own number is the travel of its control, 0 to 1, so that every curve of the tables is
//! exact; [`TrimParam::value`] gives the setting's value. Ids, names, order and count must never
//! change: `params.txt` beside this file lists them and a test compares.

use super::{
    host_facts::HostFacts,
    host_menu::HostMenu,
    state::{KitState, WindowMemory},
};
use kitwright_core::{
    kit::{PADS, Trims},
    settings::{KIT_TRIMS, PAD_TRIMS, Setting, Unit},
};
use nice_plug::prelude::*;
use std::{
    collections::BTreeMap,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicU32, AtomicU64, Ordering},
    },
};

/// One trim as a host parameter.
#[derive(Debug)]
pub enum TrimParam {
    /// A number; the parameter's own value is the travel, 0 to 1.
    Number(FloatParam),
    /// On or off.
    Switch(BoolParam),
}

impl TrimParam {
    fn new<T>(setting: &'static Setting<T>, name: String) -> Self {
        if setting.unit == Unit::Switch {
            return Self::Switch(
                BoolParam::new(name, setting.default >= 0.5)
                    .with_value_to_string(Arc::new(|on| setting.show(f32::from(u8::from(on)))))
                    .with_string_to_value(Arc::new(|text| setting.read(text).map(|v| v >= 0.5))),
            );
        }
        Self::Number(
            FloatParam::new(
                name,
                setting.to_travel(setting.default),
                FloatRange::Linear { min: 0.0, max: 1.0 },
            )
            .with_value_to_string(Arc::new(|travel| setting.show(value_at(setting, travel))))
            .with_string_to_value(Arc::new(|text| setting.read(text).map(|v| setting.to_travel(v)))),
        )
    }

    /// Travel of the control, 0 to 1, as the host has set it (its modulation included).
    pub fn travel(&self) -> f32 {
        match self {
            // a state may hold any number
            Self::Number(p) => p.value().clamp(0.0, 1.0),
            Self::Switch(p) => f32::from(u8::from(p.value())),
        }
    }

    /// Value in the setting's own unit; `setting` is the entry this parameter was made from.
    pub fn value<T>(&self, setting: &Setting<T>) -> f32 {
        match self {
            Self::Number(p) => value_at(setting, p.value()),
            Self::Switch(p) => f32::from(u8::from(p.value())),
        }
    }

    /// The name shown by hosts, with the pad's number.
    pub fn name(&self) -> &str {
        match self {
            Self::Number(p) => p.name(),
            Self::Switch(p) => p.name(),
        }
    }

    /// Shows it on a page of a host's controls.
    pub(super) fn add_to(&self, page: &mut impl RemoteControlsPage) {
        match self {
            Self::Number(p) => page.add_param(p),
            Self::Switch(p) => page.add_param(p),
        }
    }

    /// Begins a gesture: the host learns that the player is moving the control.
    pub fn begin(&self, setter: &ParamSetter<'_>) {
        match self {
            Self::Number(p) => setter.begin_set_parameter(p),
            Self::Switch(p) => setter.begin_set_parameter(p),
        }
    }

    /// Moves the control to `travel`, 0 to 1; between [`TrimParam::begin`] and [`TrimParam::end`].
    pub fn set_travel(&self, setter: &ParamSetter<'_>, travel: f32) {
        match self {
            Self::Number(p) => setter.set_parameter(p, travel.clamp(0.0, 1.0)),
            Self::Switch(p) => setter.set_parameter(p, travel >= 0.5),
        }
    }

    /// Ends the gesture that [`TrimParam::begin`] began.
    pub fn end(&self, setter: &ParamSetter<'_>) {
        match self {
            Self::Number(p) => setter.end_set_parameter(p),
            Self::Switch(p) => setter.end_set_parameter(p),
        }
    }

    fn as_ptr(&self) -> ParamPtr {
        match self {
            Self::Number(p) => p.as_ptr(),
            Self::Switch(p) => p.as_ptr(),
        }
    }
}

/// The setting's value at a travel. The default's travel gives exactly the default: the curve would round it, and a
/// neutral trim must be exactly neutral.
pub(super) fn value_at<T>(setting: &Setting<T>, travel: f32) -> f32 {
    if (travel - setting.to_travel(setting.default)).abs() < 1e-6 {
        setting.default
    } else {
        setting.from_travel(travel)
    }
}

/// Everything that hosts store and automate: the trims, the kit's revision, the kit itself and the
/// window's size.
#[derive(Debug)]
pub struct HostParams {
    /// In the order of [`KIT_TRIMS`].
    pub kit: Vec<TrimParam>,
    /// For each pad, in the order of [`PAD_TRIMS`].
    pub pads: [Vec<TrimParam>; PADS],
    /// Moved at every change of the kit, so that hosts mark the project as changed.
    pub revision: IntParam,
    edits_seen: AtomicU64,
    /// Outputs that the host has switched off, one bit each, bit 0 for the main one.
    pub(super) unused_outputs: AtomicU32,
    /// A window is open.
    pub(super) window_open: AtomicBool,
    /// What the host has told of its track and of the parameters.
    pub facts: HostFacts,
    /// The host's menu that the window asks for.
    pub(super) host_menu: HostMenu,
    /// The kit within the host's state.
    pub kit_state: Arc<KitState>,
    /// The window's size and zoom within the host's state.
    pub window: Arc<WindowMemory>,
}

/// Name of the revision parameter.
pub const REVISION_NAME: &str = "Kit revision";

/// Highest number of the revision parameter; it starts again at 0 afterwards.
pub const LAST_REVISION: i32 = 9999;

impl HostParams {
    /// Parameters at their defaults around these persisted parts.
    pub fn new(kit_state: Arc<KitState>, window: Arc<WindowMemory>) -> Self {
        Self {
            kit: KIT_TRIMS.iter().map(|s| TrimParam::new(s, s.name.into())).collect(),
            pads: std::array::from_fn(|pad| {
                PAD_TRIMS.iter().map(|s| TrimParam::new(s, format!("Pad {} {}", pad + 1, s.name))).collect()
            }),
            revision: IntParam::new(REVISION_NAME, 0, IntRange::Linear { min: 0, max: LAST_REVISION })
                .non_automatable()
                .hide_in_generic_ui(),
            edits_seen: AtomicU64::new(kit_state.edits()),
            unused_outputs: AtomicU32::new(0),
            window_open: AtomicBool::new(false),
            facts: HostFacts::default(),
            host_menu: HostMenu::default(),
            kit_state,
            window,
        }
    }

    /// Every trim as the host has set it.
    pub fn trims(&self) -> Trims {
        let mut reader = TrimReader::default();
        reader.refresh(self);
        reader.trims
    }

    /// Moves the revision on by one, as a change the host sees, when the player has changed the kit since
    /// the last call. The window calls it at every frame.
    pub fn follow_kit(&self, setter: &ParamSetter<'_>) {
        let Some(next) = self.next_revision() else { return };
        setter.begin_set_parameter(&self.revision);
        setter.set_parameter(&self.revision, next);
        setter.end_set_parameter(&self.revision);
    }

    /// The same for the audio thread, which reports to the host itself while no window is open: the revision's
    /// new value, normalised, when the player has changed the kit since the last call.
    pub(super) fn follow_kit_while_playing(&self) -> Option<f32> {
        let next = self.revision.preview_normalized(self.next_revision()?);
        // SAFETY: the parameter is a field of this object; its value is an atomic.
        unsafe { self.revision.as_ptr()._internal_set_normalized_value(next) };
        Some(next)
    }

    /// The next revision when the kit was changed since the last call: each change is reported once.
    fn next_revision(&self) -> Option<i32> {
        let edits = self.kit_state.edits();
        if self.edits_seen.swap(edits, Ordering::AcqRel) == edits {
            return None;
        }
        Some(if self.revision.value() >= LAST_REVISION { 0 } else { self.revision.value() + 1 })
    }

    /// Every trim's parameter with its travel in `trims`, in the order of the host's list.
    fn travels(&self, trims: &Trims) -> impl Iterator<Item = (&TrimParam, f32)> {
        let kit = self.kit.iter().zip(&KIT_TRIMS).map(move |(p, s)| (p, s.to_travel((s.get)(&trims.kit))));
        let pads = self.pads.iter().zip(&trims.pads).flat_map(|(params, pad)| {
            params.iter().zip(&PAD_TRIMS).map(|(p, s)| (p, s.to_travel((s.get)(pad))))
        });
        kit.chain(pads)
    }

    /// Takes every trim at once without telling the host, which is to read all values anew.
    pub(super) fn take_trims(&self, trims: &Trims) {
        for (param, travel) in self.travels(trims) {
            // SAFETY: the parameters are fields of this object; their values are atomics.
            unsafe { param.as_ptr()._internal_set_normalized_value(travel) };
        }
    }

    /// Puts the parameter with this index in the host's list at its default without telling the host; whether it is a trim.
    pub(super) fn reset(&self, index: usize) -> bool {
        let param = match index.checked_sub(KIT_TRIMS.len()) {
            None => self.kit.get(index),
            Some(at) => self.pads.get(at / PAD_TRIMS.len()).and_then(|pad| pad.get(at % PAD_TRIMS.len())),
        };
        let Some(param) = param.map(TrimParam::as_ptr) else { return false };
        // SAFETY: the parameters are fields of this object; their values are atomics.
        unsafe { param._internal_set_normalized_value(param.default_normalized_value()) };
        true
    }

    /// Sets every trim, as one gesture each; for the window, when a kit file brings its own. A host takes
    /// about 2,000 events in a block, and each trim that differs costs three.
    pub fn set_trims(&self, setter: &ParamSetter<'_>, trims: &Trims) {
        for (param, travel) in self.travels(trims).filter(|(p, travel)| p.travel() != *travel) {
            param.begin(setter);
            param.set_travel(setter, travel);
            param.end(setter);
        }
    }
}

// SAFETY: the pointers point into `self`, which the framework keeps alive in its `Arc`, and no field is
// ever moved out of it.
unsafe impl Params for HostParams {
    fn param_map(&self) -> Vec<(String, ParamPtr, String)> {
        let mut map = Vec::with_capacity(1 + KIT_TRIMS.len() + PADS * PAD_TRIMS.len());
        for (param, s) in self.kit.iter().zip(&KIT_TRIMS) {
            map.push((format!("kit_{}", s.id), param.as_ptr(), "Kit".to_owned()));
        }
        for (pad, params) in self.pads.iter().enumerate() {
            for (param, s) in params.iter().zip(&PAD_TRIMS) {
                map.push((format!("p{:02}_{}", pad + 1, s.id), param.as_ptr(), format!("Pad {}", pad + 1)));
            }
        }
        map.push(("revision".into(), self.revision.as_ptr(), "Kit".to_owned()));
        map
    }

    fn serialize_fields(&self) -> BTreeMap<String, String> {
        let kit = self.kit_state.to_field().map(|field| (KitState::KEY.to_owned(), field));
        let window = (WindowMemory::KEY.to_owned(), self.window.to_field());
        kit.into_iter().chain([window]).collect()
    }

    fn deserialize_fields(&self, fields: &BTreeMap<String, String>) {
        if let Some(field) = fields.get(KitState::KEY) {
            self.kit_state.take_field(field);
        }
        if let Some(field) = fields.get(WindowMemory::KEY) {
            self.window.take_field(field);
        }
    }
}

/// Reads the trims for the audio thread; computes only those that moved.
#[derive(Debug)]
pub struct TrimReader {
    kit: [f32; KIT_TRIMS.len()],
    pads: [[f32; PAD_TRIMS.len()]; PADS],
    /// As of the last [`TrimReader::refresh`].
    pub trims: Trims,
}

impl Default for TrimReader {
    fn default() -> Self {
        // a travel never is NaN, so the first refresh reads everything
        Self {
            kit: [f32::NAN; KIT_TRIMS.len()],
            pads: [[f32::NAN; PAD_TRIMS.len()]; PADS],
            trims: Trims::default(),
        }
    }
}

impl TrimReader {
    /// Brings [`TrimReader::trims`] up to date; whether anything changed.
    pub fn refresh(&mut self, params: &HostParams) -> bool {
        let mut changed = refresh_table(&params.kit, &KIT_TRIMS, &mut self.kit, &mut self.trims.kit);
        for ((params, seen), trims) in params.pads.iter().zip(&mut self.pads).zip(&mut self.trims.pads) {
            changed |= refresh_table(params, &PAD_TRIMS, seen, trims);
        }
        changed
    }
}

fn refresh_table<T>(params: &[TrimParam], table: &[Setting<T>], seen: &mut [f32], trims: &mut T) -> bool {
    let mut changed = false;
    for ((param, setting), seen) in params.iter().zip(table).zip(seen) {
        let travel = param.travel();
        if travel != *seen {
            *seen = travel;
            (setting.set)(trims, param.value(setting));
            changed = true;
        }
    }
    changed
}

#[cfg(test)]
mod tests {
    use super::*;
    use kitwright_core::session::Session;
    use std::collections::HashMap;

    fn params() -> HostParams {
        HostParams::new(KitState::new(Session::new()), Arc::default())
    }

    /// The framework's hash of ids, by which hosts know parameters: a polynomial of 31 over the bytes, 31
    /// bits (read in nice-plug 0.4.2, `wrapper/util.rs`).
    fn hash_param_id(id: &str) -> u32 {
        id.bytes().fold(0u32, |h, b| h.wrapping_mul(31).wrapping_add(u32::from(b))) & !(1 << 31)
    }

    /// Ids and names as hosts see them, one parameter a line.
    fn listing() -> String {
        let params = params();
        let line = |(id, ptr, group): (String, ParamPtr, String)| {
            // SAFETY: `params` lives until the end of this function.
            format!("{id}\t{}\t{group}\n", unsafe { ptr.name() })
        };
        params.param_map().into_iter().map(line).collect()
    }

    #[test]
    fn ids_names_and_order_are_those_released() {
        let (listing, released) = (listing(), include_str!("params.txt"));
        if std::env::var_os("KITWRIGHT_WRITE_LIST").is_some() {
            std::fs::write("src/plugin/params.txt", &listing).unwrap();
        }
        assert_eq!(listing, released, "hosts find parameters by these: they can only be added to");
    }

    #[test]
    fn no_two_ids_or_names_are_alike_to_a_host() {
        let mut hashes = HashMap::new();
        let mut names = HashMap::new();
        for line in listing().lines() {
            let (id, rest) = line.split_once('\t').unwrap();
            let name = rest.split('\t').next().unwrap();
            assert_eq!(hashes.insert(hash_param_id(id), id.to_owned()), None, "hash of {id}");
            assert_eq!(names.insert(name.to_owned(), id.to_owned()), None, "name {name}");
        }
        assert_eq!(hashes.len(), 1 + KIT_TRIMS.len() + PADS * PAD_TRIMS.len());
    }

    #[test]
    fn new_parameters_are_exactly_neutral() {
        let params = params();
        assert_eq!(params.trims(), Trims::default());
        for (p, s) in params.pads[4].iter().zip(&PAD_TRIMS) {
            let TrimParam::Number(p) = p else { continue };
            // the framework goes through the normalised value when a host sets it
            assert_eq!(value_at(s, p.preview_plain(p.default_normalized_value())), s.default, "{}", s.id);
        }
    }

    #[test]
    fn every_text_reads_back_as_the_value_it_shows() {
        fn check<T>(params: &[TrimParam], table: &[Setting<T>]) {
            for (param, setting) in params.iter().zip(table) {
                // SAFETY: `param` outlives the pointer.
                let shown = |travel| unsafe { param.as_ptr().normalized_value_to_string(travel, true) };
                for step in 0..=200 {
                    let text = shown(step as f32 / 200.0);
                    // SAFETY: as above.
                    let back = unsafe { param.as_ptr().string_to_normalized_value(&text) };
                    let back = back.unwrap_or_else(|| panic!("{} does not read {text:?}", setting.id));
                    assert_eq!(shown(back), text, "{}", setting.id);
                }
            }
        }
        let params = params();
        check(&params.kit, &KIT_TRIMS);
        check(&params.pads[0], &PAD_TRIMS);
    }

    #[test]
    fn zero_is_shown_without_a_sign() {
        let params = params();
        let is_signed_zero = |text: &str| {
            let digits = text.trim_start_matches(['-', '+']);
            digits.len() < text.len()
                && digits.starts_with('0')
                && !digits.contains(|c| ('1'..='9').contains(&c))
        };
        for param in params.kit.iter().chain(&params.pads[0]) {
            for step in 0..=20_000 {
                // SAFETY: `param` outlives the pointer.
                let text = unsafe { param.as_ptr().normalized_value_to_string(step as f32 / 20_000.0, true) };
                assert!(!is_signed_zero(&text), "{} shows {text:?}", param.name());
            }
        }
    }

    #[test]
    fn the_reader_sees_each_change_once() {
        let params = params();
        let mut reader = TrimReader::default();
        assert!(reader.refresh(&params));
        assert!(!reader.refresh(&params));
        let TrimParam::Number(level) = &params.pads[2][0] else { panic!("level is a number") };
        // SAFETY: nothing else uses the parameter meanwhile.
        unsafe { level.as_ptr()._internal_set_normalized_value(0.5) };
        assert!(reader.refresh(&params));
        assert!(!reader.refresh(&params));
        assert_eq!(reader.trims.pads[2].level_db, -24.0);
        assert_eq!(reader.trims.pads[1].level_db, 0.0);
    }
}
