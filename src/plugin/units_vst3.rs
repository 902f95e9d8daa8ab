//! The parameters' groups as VST3 hosts see them, in the order of the pads; the kit as the one program, whose pitch names
//! are the names of the drums on the keys.
//!
//! The framework sorts the groups by their names ("Pad 10" before "Pad 2"), has no root and no programs.

use super::instance::Kitwright;
use kitwright_core::kit::{Document, PADS, note_names};
use nice_plug::wrapper::vst3::{Wrapper, vst3};
use vst3::Steinberg::{
    Vst::{
        BusDirection, BusDirections_, IEditControllerTrait, IUnitInfoTrait, MediaType, MediaTypes_,
        ParameterInfo, ProgramListInfo, String128, UnitInfo, kNoParentUnitId, kNoProgramListId, kRootUnitId,
    },
    int32, kInvalidArgument, kResultFalse, kResultOk, tresult,
};

/// Id of the one list of programs; the kit is its only program.
pub(super) const KIT_LIST: int32 = 1;

/// The groups: the kit's, then the pads'.
pub(super) struct Units {
    /// The framework's ids, in our order: ours are one more than their places.
    order: Vec<int32>,
}

impl Units {
    pub fn new(inner: &Wrapper<Kitwright>) -> Self {
        // SAFETY: indices within the count; a structure of numbers and text.
        let units = (0..unsafe { inner.getUnitCount() }).filter_map(|index| unsafe {
            let mut info: UnitInfo = std::mem::zeroed();
            (inner.getUnitInfo(index, &mut info) == kResultOk).then(|| (name_of(&info.name), info.id))
        });
        let mut units: Vec<(String, int32)> = units.collect();
        units.sort_by_key(|(name, _)| place(name));
        Self { order: units.into_iter().map(|(_, id)| id).collect() }
    }

    /// Our id of a group that the framework knows by `inner`.
    pub fn id(&self, inner: int32) -> int32 {
        self.order.iter().position(|&id| id == inner).map_or(kRootUnitId, |at| at as int32 + 1)
    }

    /// Groups and the root.
    pub fn count(&self) -> int32 {
        self.order.len() as int32 + 1
    }

    /// # Safety
    /// `info` is null or the host's.
    pub unsafe fn info(&self, index: int32, info: *mut UnitInfo) -> tresult {
        // SAFETY: by this function's contract.
        let Some(info) = (unsafe { info.as_mut() }) else { return kInvalidArgument };
        if !(0..self.count()).contains(&index) {
            return kInvalidArgument;
        }
        let (name, parent, list) = match index {
            0 => ("Kitwright".to_owned(), kNoParentUnitId, KIT_LIST),
            1 => ("Kit".to_owned(), kRootUnitId, kNoProgramListId),
            pad => (format!("Pad {}", pad - 1), kRootUnitId, kNoProgramListId),
        };
        *info = UnitInfo { id: index, parentUnitId: parent, name: wide(&name), programListId: list };
        kResultOk
    }
}

/// Every parameter as the host knows it.
pub(super) fn parameters(inner: &Wrapper<Kitwright>) -> impl Iterator<Item = ParameterInfo> {
    // SAFETY: a structure of numbers and text; an index within the count.
    (0..unsafe { inner.getParameterCount() }).filter_map(|index| unsafe {
        let mut info: ParameterInfo = std::mem::zeroed();
        (inner.getParameterInfo(index, &mut info) == kResultOk).then_some(info)
    })
}

/// Place of a group among the others: the kit's first.
fn place(name: &str) -> usize {
    let pad = name.strip_prefix("Pad ").and_then(|number| number.parse().ok());
    pad.filter(|pad| (1..=PADS).contains(pad)).unwrap_or(0)
}

/// # Safety
/// `info` is null or the host's.
pub(super) unsafe fn program_list(index: int32, info: *mut ProgramListInfo) -> tresult {
    // SAFETY: by this function's contract.
    match unsafe { info.as_mut() } {
        Some(info) if index == 0 => {
            *info = ProgramListInfo { id: KIT_LIST, name: wide("Kit"), programCount: 1 };
            kResultOk
        }
        _ => kInvalidArgument,
    }
}

/// # Safety
/// `to` is null or the host's.
pub(super) unsafe fn give_text(text: Option<&str>, to: *mut String128) -> tresult {
    // SAFETY: by this function's contract.
    match (text, unsafe { to.as_mut() }) {
        (Some(text), Some(to)) => {
            *to = wide(text);
            kResultOk
        }
        (None, Some(_)) => kResultFalse,
        (_, None) => kInvalidArgument,
    }
}

/// Whether this is the kit as a program.
pub(super) fn is_kit(list: int32, index: int32) -> bool {
    list == KIT_LIST && index == 0
}

/// The name of the drum on a key.
pub(super) fn drum(doc: &Document, key: i16) -> Option<String> {
    let names = note_names(doc).into_iter();
    names.filter(|(own, _)| i16::from(*own) == key).map(|(_, name)| name).next()
}

/// Whether the root is what plays the notes of a bus.
pub(super) fn is_note_input(media: MediaType, direction: BusDirection, bus: int32) -> bool {
    media == MediaTypes_::kEvent as MediaType
        && direction == BusDirections_::kInput as BusDirection
        && bus == 0
}

/// UTF-16, cut to what fits, with a 0 at its end.
pub(super) fn wide(text: &str) -> String128 {
    let mut wide: String128 = [0; 128];
    for (to, from) in wide[..127].iter_mut().zip(text.encode_utf16()) {
        *to = from;
    }
    wide
}

/// A text of VST3.
pub(super) fn name_of(wide: &String128) -> String {
    String::from_utf16_lossy(&wide[..wide.iter().position(|&unit| unit == 0).unwrap_or(wide.len())])
}
