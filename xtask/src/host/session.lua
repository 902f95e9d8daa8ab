-- Makes an Ardour session with the plugin on a MIDI track; prints the numbers of track and plugin.
--
--     ardour7-lua session.lua FOLDER NAME
--
-- Names of functions: "Class Reference" of Ardour's Lua bindings (ardour.org manual, "Lua Scripting").
local folder, name = arg[1], arg[2]
AudioEngine:set_backend("None (Dummy)", "", ""):set_device_name("Silence")
local session = assert(create_session(folder, name, 48000), "no session could be made")
local plugin = ARDOUR.LuaAPI.new_plugin_info("Kitwright", ARDOUR.PluginType.VST3)
assert(not plugin:isnil(), "the host did not find the plugin")
local midi = ARDOUR.ChanCount(ARDOUR.DataType("midi"), 1)
local audio = ARDOUR.ChanCount(ARDOUR.DataType("audio"), 2)
local tracks = session:new_midi_track(midi, audio, true, plugin, nil, nil, 1, "Drums",
    ARDOUR.PresentationInfo.max_order, ARDOUR.TrackMode.Normal, true)
for track in tracks:iter() do
    local at = 0
    while not track:nth_processor(at):isnil() do
        local processor = track:nth_processor(at)
        if processor:name() == "Kitwright" then
            print("ids " .. track:to_stateful():id():to_s() .. " " .. processor:to_stateful():id():to_s())
        end
        at = at + 1
    end
end
session:save_state("")
close_session()
