//! What VST3 hosts show of the plugin, and its states, within this process.

use super::{super::streams_vst3::MemoryStream, *};
use kitwright_core::kit::Kit;
use std::sync::Arc;
use vst3::ComWrapper;

/// A stream that gives and takes one byte at a time.
struct SingleBytes(MemoryStream);

impl Class for SingleBytes {
    type Interfaces = (IBStream,);
}

impl vst3::Steinberg::IBStreamTrait for SingleBytes {
    unsafe fn read(&self, to: *mut std::ffi::c_void, count: int32, got: *mut int32) -> tresult {
        // SAFETY: as for this method.
        unsafe { self.0.read(to, count.min(1), got) }
    }
    unsafe fn write(&self, from: *mut std::ffi::c_void, count: int32, written: *mut int32) -> tresult {
        // SAFETY: as for this method.
        unsafe { self.0.write(from, count.min(1), written) }
    }
    unsafe fn seek(&self, to: i64, mode: int32, result: *mut i64) -> tresult {
        // SAFETY: as for this method.
        unsafe { self.0.seek(to, mode, result) }
    }
    unsafe fn tell(&self, position: *mut i64) -> tresult {
        // SAFETY: as for this method.
        unsafe { self.0.tell(position) }
    }
}

#[test]
fn states_are_written_and_read_in_pieces_of_one_byte() {
    let save = |guard: &GuardVst3| {
        let stream = ComWrapper::new(SingleBytes(MemoryStream::new(Vec::new())));
        let pointer = stream.as_com_ref::<IBStream>().unwrap().as_ptr();
        // SAFETY: the test's own stream.
        assert_eq!(unsafe { IComponentTrait::getState(guard, pointer) }, kResultOk);
        stream.0.take()
    };
    let load = |guard: &GuardVst3, bytes: &[u8]| {
        let stream = ComWrapper::new(SingleBytes(MemoryStream::new(bytes.to_vec())));
        let pointer = stream.as_com_ref::<IBStream>().unwrap().as_ptr();
        // SAFETY: the test's own stream.
        unsafe { IComponentTrait::setState(guard, pointer) }
    };
    let guard = GuardVst3::new().expect("an instance");
    guard.link.session.edit("name", |kit: &mut Kit| kit.doc.name = "one byte".into());
    let state = save(&guard);
    let other = GuardVst3::new().expect("an instance");
    assert_ne!(load(&other, &state[..state.len() / 2]), kResultOk);
    assert_eq!(load(&other, &state), kResultOk);
    assert_eq!(other.link.session.kit().doc.name, "one byte");
    assert!(save(&other) == state);
}

/// What a channel of the host tells: its name and its colour.
struct Channel(&'static str, i64);

impl Class for Channel {
    type Interfaces = (IAttributeList,);
}

impl IAttributeListTrait for Channel {
    unsafe fn setInt(&self, _: IAttributeList_::AttrID, _: i64) -> tresult {
        kResultFalse
    }
    unsafe fn getInt(&self, id: IAttributeList_::AttrID, value: *mut i64) -> tresult {
        // SAFETY: the plugin's own variable; a C string.
        unsafe {
            if std::ffi::CStr::from_ptr(id) != std::ffi::CStr::from_ptr(ChannelContext::kChannelColorKey) {
                return kResultFalse;
            }
            *value = self.1;
        }
        kResultOk
    }
    unsafe fn setFloat(&self, _: IAttributeList_::AttrID, _: f64) -> tresult {
        kResultFalse
    }
    unsafe fn getFloat(&self, _: IAttributeList_::AttrID, _: *mut f64) -> tresult {
        kResultFalse
    }
    unsafe fn setString(&self, _: IAttributeList_::AttrID, _: *const TChar) -> tresult {
        kResultFalse
    }
    unsafe fn getString(&self, id: IAttributeList_::AttrID, text: *mut TChar, bytes: uint32) -> tresult {
        // SAFETY: the plugin's own memory, as long as it says; a C string.
        unsafe {
            if std::ffi::CStr::from_ptr(id) != std::ffi::CStr::from_ptr(ChannelContext::kChannelNameKey) {
                return kResultFalse;
            }
            let wide: Vec<u16> = self.0.encode_utf16().chain([0]).collect();
            assert!(2 * wide.len() <= bytes as usize);
            std::ptr::copy_nonoverlapping(wide.as_ptr(), text, wide.len());
        }
        kResultOk
    }
    unsafe fn setBinary(&self, _: IAttributeList_::AttrID, _: *const std::ffi::c_void, _: uint32) -> tresult {
        kResultFalse
    }
    unsafe fn getBinary(
        &self,
        _: IAttributeList_::AttrID,
        _: *mut *const std::ffi::c_void,
        _: *mut uint32,
    ) -> tresult {
        kResultFalse
    }
}

#[test]
fn the_name_and_the_colour_of_the_channel_reach_the_window() {
    let guard = GuardVst3::new().expect("an instance");
    let params = guard.link.params.upgrade().unwrap();
    assert_eq!(params.facts.track(), None);
    let channel = ComWrapper::new(Channel("Drums", 0xff20_40a0));
    let list = channel.as_com_ref::<IAttributeList>().unwrap().as_ptr();
    // SAFETY: the test's own object.
    assert_eq!(unsafe { guard.setChannelContextInfos(list) }, kResultOk);
    let track = params.facts.track().expect("a track");
    assert_eq!((track.name.as_str(), track.colour), ("Drums", Some([0x20, 0x40, 0xa0])));
}

#[test]
fn groups_come_in_the_order_of_the_pads_and_parameters_lie_in_theirs() {
    let guard = GuardVst3::new().expect("an instance");
    // SAFETY: indices within the counts; structures of numbers and text.
    unsafe {
        let unit = |index| {
            let mut info: UnitInfo = std::mem::zeroed();
            assert_eq!(guard.getUnitInfo(index, &mut info), kResultOk);
            (units_vst3::name_of(&info.name), info.id, info.parentUnitId, info.programListId)
        };
        assert_eq!(guard.getUnitCount(), 18);
        assert_eq!(unit(0), ("Kitwright".into(), kRootUnitId, kNoParentUnitId, units_vst3::KIT_LIST));
        assert_eq!(unit(1), ("Kit".into(), 1, kRootUnitId, kNoProgramListId));
        for pad in 1..=16 {
            assert_eq!(unit(pad + 1).0, format!("Pad {pad}"));
        }
        assert_eq!(guard.getUnitInfo(18, &mut std::mem::zeroed()), kInvalidArgument);
        let names: Vec<String> = (0..18).map(|index| unit(index).0).collect();
        for index in 0..guard.getParameterCount() {
            let mut info: ParameterInfo = std::mem::zeroed();
            assert_eq!(guard.getParameterInfo(index, &mut info), kResultOk);
            let title = units_vst3::name_of(&info.title);
            let group = &names[info.unitId as usize];
            assert!(title.starts_with(&format!("{group} ")) || group == "Kit", "{title} in {group}");
        }
    }
}

#[test]
fn hosts_read_drum_names_from_the_one_program() {
    let guard = GuardVst3::new().expect("an instance");
    guard.link.session.edit("a kit", |kit: &mut Kit| {
        let take = kitwright_core::take::Take::from_samples("tone", 48_000, vec![vec![0.5; 4800]]);
        kit.doc.name = "Oak".into();
        kit.doc.takes.push(kitwright_core::kit::TakeEntry::new(&take, Vec::new()));
        kit.takes.push(Arc::new(take));
        kit.doc.pads[0].slices = vec![kitwright_core::kit::Slice {
            take: 0,
            start: 0,
            end: 4800,
            gain_db: 0.0,
            velocities: [0.0, 1.0],
        }];
    });
    // SAFETY: in the order that VST3 demands; the test's own memory.
    unsafe {
        let mut unit = 7;
        let (event, input) = (MediaTypes_::kEvent as MediaType, BusDirections_::kInput as BusDirection);
        assert_eq!(guard.getUnitByBus(event, input, 0, 9, &mut unit), kResultOk);
        assert_eq!(unit, kRootUnitId);
        let mut list: ProgramListInfo = std::mem::zeroed();
        assert_eq!((guard.getProgramListCount(), guard.getProgramListInfo(0, &mut list)), (1, kResultOk));
        assert_eq!(list.programCount, 1);
        let mut text: String128 = [0; 128];
        assert_eq!(guard.getProgramName(list.id, 0, &mut text), kResultOk);
        assert_eq!(units_vst3::name_of(&text), "Oak");
        assert_eq!(guard.hasProgramPitchNames(list.id, 0), kResultOk);
        assert_eq!(guard.getProgramPitchName(list.id, 0, 36, &mut text), kResultOk);
        assert_eq!(units_vst3::name_of(&text), "1 kick");
        assert_ne!(guard.getProgramPitchName(list.id, 0, 37, &mut text), kResultOk, "a key without a drum");
        assert_ne!(guard.hasProgramPitchNames(list.id, 1), kResultOk);
        assert_eq!(guard.getProgramPitchName(list.id, 0, 36, std::ptr::null_mut()), kInvalidArgument);
    }
}

/// A host that is told of other names.
struct UnitHandler(AtomicU32);
impl Class for UnitHandler {
    type Interfaces = (IComponentHandler, IUnitHandler);
}
impl IComponentHandlerTrait for UnitHandler {
    unsafe fn beginEdit(&self, _: ParamID) -> tresult {
        kResultOk
    }
    unsafe fn performEdit(&self, _: ParamID, _: ParamValue) -> tresult {
        kResultOk
    }
    unsafe fn endEdit(&self, _: ParamID) -> tresult {
        kResultOk
    }
    unsafe fn restartComponent(&self, _: int32) -> tresult {
        kResultOk
    }
}
impl IUnitHandlerTrait for UnitHandler {
    unsafe fn notifyUnitSelection(&self, _: UnitID) -> tresult {
        kResultOk
    }
    unsafe fn notifyProgramListChange(&self, list: ProgramListID, index: int32) -> tresult {
        assert_eq!((list, index), (units_vst3::KIT_LIST, kAllProgramInvalid));
        self.0.fetch_add(1, Ordering::SeqCst);
        kResultOk
    }
}

#[test]
fn other_drum_names_are_told_once_for_each_change_of_the_kit() {
    let handler = ComWrapper::new(UnitHandler(AtomicU32::new(0)));
    let guard = GuardVst3::new().expect("an instance");
    let revision = revision_id(&guard.inner).unwrap();
    // SAFETY: the test's own object, which outlives the guard's use of it; this is the main thread.
    unsafe {
        guard.setComponentHandler(handler.as_com_ref::<IComponentHandler>().unwrap().as_ptr());
        guard.link.session.edit("a name", |kit: &mut Kit| kit.doc.name = "Elm".into());
        assert_eq!(handler.0.load(Ordering::SeqCst), 0);
        guard.setParamNormalized(revision, 0.0);
        guard.setParamNormalized(revision, 0.0);
        assert_eq!(handler.0.load(Ordering::SeqCst), 1);
        guard.setComponentHandler(std::ptr::null_mut());
    }
}

#[test]
fn parameters_have_their_units_beside_their_numbers_and_no_note_expression_is_announced() {
    let guard = GuardVst3::new().expect("an instance");
    // SAFETY: indices within the counts; structures of numbers and text.
    unsafe {
        let mut units = std::collections::BTreeSet::new();
        for index in 0..guard.getParameterCount() {
            let mut info: ParameterInfo = std::mem::zeroed();
            assert_eq!(guard.getParameterInfo(index, &mut info), kResultOk);
            let (title, unit) = (units_vst3::name_of(&info.title), units_vst3::name_of(&info.units));
            for step in 0..=20 {
                let mut text: String128 = [0; 128];
                assert_eq!(
                    guard.getParamStringByValue(info.id, f64::from(step) / 20.0, &mut text),
                    kResultOk
                );
                let shown = units_vst3::name_of(&text);
                assert!(unit.is_empty() || !shown.contains(&unit), "{title}: {shown} {unit}");
                let mut back = -1.0;
                let read = guard.getParamValueByString(info.id, text.as_mut_ptr(), &mut back);
                assert!(read == kResultOk && (0.0..=1.0).contains(&back), "{title} does not read {shown}");
            }
            units.insert(unit);
        }
        assert_eq!(units.into_iter().collect::<Vec<_>>(), ["", "%", "Hz", "ct", "dB", "ms", "st"]);
        assert_eq!(guard.getNoteExpressionCount(0, 0), 0);
        assert_eq!(guard.getNoteExpressionInfo(0, 0, 0, &mut std::mem::zeroed()), kInvalidArgument);
    }
}
