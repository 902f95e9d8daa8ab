"""What xdotool cannot do to a window.

    python3 x11.py drop WINDOW X Y FILE   drops a file as a file manager does; X and Y within the window, pixels
    python3 x11.py close WINDOW           asks it to close, as the button of its frame does

Specifications: "Drag-and-Drop Protocol for the X Window System" (version 5), freedesktop.org; WM_DELETE_WINDOW
in the Inter-Client Communication Conventions Manual, 4.2.8.1.
"""
import sys
import time
import urllib.parse

from Xlib import X, Xatom, display
from Xlib.protocol import event


def close(window):
    d = display.Display()
    target = d.create_resource_object("window", int(window, 0))
    data = [d.intern_atom("WM_DELETE_WINDOW"), X.CurrentTime, 0, 0, 0]
    target.send_event(event.ClientMessage(
        window=target, client_type=d.intern_atom("WM_PROTOCOLS"), data=(32, data)))
    d.sync()


def drop(window, x, y, path):
    d = display.Display()
    root = d.screen().root
    target = d.create_resource_object("window", int(window, 0))
    place = target.translate_coords(root, 0, 0)
    root_x, root_y = int(x) - place.x, int(y) - place.y
    atom = {name: d.intern_atom(name) for name in [
        "XdndSelection", "XdndEnter", "XdndPosition", "XdndStatus", "XdndDrop", "XdndFinished",
        "XdndActionCopy", "XdndAware", "text/uri-list"]}
    source = root.create_window(0, 0, 1, 1, 0, d.screen().root_depth)
    source.change_property(atom["XdndAware"], Xatom.ATOM, 32, [5])
    source.set_selection_owner(atom["XdndSelection"], X.CurrentTime)
    uri = ("file://" + urllib.parse.quote(path) + "\r\n").encode()

    def send(name, *data):
        data = list(data) + [0] * (5 - len(data))
        target.send_event(event.ClientMessage(window=target, client_type=atom[name], data=(32, data)))
        d.flush()

    def serve(until, seconds=5.0):
        """Answers requests for the file's name until a message of this name comes."""
        end = time.time() + seconds
        while time.time() < end:
            if not d.pending_events():
                time.sleep(0.01)
                continue
            e = d.next_event()
            if e.type == X.SelectionRequest:
                e.requestor.change_property(e.property, e.target, 8, uri)
                e.requestor.send_event(event.SelectionNotify(
                    time=e.time, requestor=e.requestor, selection=e.selection,
                    target=e.target, property=e.property))
                d.flush()
            elif e.type == X.ClientMessage and e.client_type == atom[until]:
                return e.data[1]
        sys.exit(f"the window never answered with {until}")

    send("XdndEnter", source.id, 5 << 24, atom["text/uri-list"], 0, 0)
    for _ in range(3):
        send("XdndPosition", source.id, 0, (root_x << 16) | root_y, X.CurrentTime, atom["XdndActionCopy"])
        status = serve("XdndStatus")
        if status[1] & 1:
            break
        time.sleep(0.2)
    else:
        sys.exit("the window refuses the file")
    time.sleep(0.5)
    send("XdndDrop", source.id, 0, X.CurrentTime)
    print("accepted:", bool(serve("XdndFinished")[1] & 1))


if __name__ == "__main__":
    {"drop": drop, "close": close}[sys.argv[1]](*sys.argv[2:])
