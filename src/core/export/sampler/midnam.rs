//! The names of a kit's notes as a MIDI name document (`.midnam`), DTD MIDINameDocument 1.0 of the MIDI Manufacturers
//! Association, 2003.

use crate::kit::{Document, note_names};
use std::fmt::Write;

/// Names of the lists inside the document.
const NOTES: &str = "Drums";

/// The document: one device, one drum map on the channels that play pads. The kit must have a pad that sounds: the DTD asks for a note.
pub(super) fn document(doc: &Document) -> String {
    let kit = escaped(&doc.name);
    let pads =
        |channel: &u8| !doc.key_parts.iter().any(|part| (0..128).any(|key| part.answers(channel - 1, key)));
    let channels = |line: &dyn Fn(u8) -> String| (1..=16).filter(pads).map(line).collect::<String>();
    let mut text = String::from(concat!(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n",
        "<!DOCTYPE MIDINameDocument PUBLIC \"-//MIDI Manufacturers Association//DTD MIDINameDocument 1.0//EN\" ",
        "\"http://www.midi.org/dtds/MIDINameDocument10.dtd\">\n"
    ));
    let assigned =
        channels(&|c| format!("        <ChannelNameSetAssign Channel=\"{c}\" NameSet=\"{NOTES}\"/>\n"));
    let available =
        channels(&|c| format!("        <AvailableChannel Channel=\"{c}\" Available=\"true\"/>\n"));
    let _ = write!(
        text,
        "<MIDINameDocument>
  <Author>Kitwright</Author>
  <MasterDeviceNames>
    <Manufacturer>Kitwright</Manufacturer>
    <Model>{kit}</Model>
    <CustomDeviceMode Name=\"Default\">
      <ChannelNameSetAssignments>
{assigned}      </ChannelNameSetAssignments>
    </CustomDeviceMode>
    <ChannelNameSet Name=\"{NOTES}\">
      <AvailableForChannels>
{available}      </AvailableForChannels>
      <UsesNoteNameList Name=\"{NOTES}\"/>
      <PatchBank Name=\"Kits\">
        <PatchNameList Name=\"Kits\">
          <Patch Number=\"1\" Name=\"{kit}\" ProgramChange=\"0\"/>
        </PatchNameList>
      </PatchBank>
    </ChannelNameSet>
    <NoteNameList Name=\"{NOTES}\">
"
    );
    for (key, name) in note_names(doc) {
        let _ = writeln!(text, "      <Note Number=\"{key}\" Name=\"{}\"/>", escaped(&name));
    }
    text.push_str("    </NoteNameList>\n  </MasterDeviceNames>\n</MIDINameDocument>\n");
    text
}

/// Text for XML; what no XML document may hold becomes a space.
fn escaped(text: &str) -> String {
    let mut out = String::new();
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => out.push(' '),
            c => out.push(c),
        }
    }
    out
}
