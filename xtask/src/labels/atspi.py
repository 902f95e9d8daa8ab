"""Reads the window as a screen reader does, and acts on it as one does: AT-SPI over the session bus.

    python3 atspi.py names            every control of the window: number of its role and name, a line each
    python3 atspi.py wait NAME S      until there is one of this name, at most S seconds
    python3 atspi.py press NAME       its first action
    python3 atspi.py focus NAME       gives it the keyboard
    python3 atspi.py value NAME       its number
    python3 atspi.py set NAME NUMBER  gives it a number

Interfaces: the XML files of at-spi2-core ("Accessible", "Action", "Component", "Value").
"""
import sys
import time

import dbus

PREFIX = "org.a11y.atspi."
PROPERTIES = "org.freedesktop.DBus.Properties"


class Driver:
    def __init__(self):
        session = dbus.SessionBus()
        bus = session.get_object("org.a11y.Bus", "/org/a11y/bus")
        # what a screen reader does when it starts; programs offer their labels only then
        dbus.Interface(bus, PROPERTIES).Set("org.a11y.Status", "IsEnabled", True)
        self.bus = dbus.bus.BusConnection(dbus.Interface(bus, "org.a11y.Bus").GetAddress())

    def at(self, node, interface):
        return dbus.Interface(self.bus.get_object(*node, introspect=False), interface)

    def children(self, node):
        return [(str(n), str(p)) for n, p in self.at(node, PREFIX + "Accessible").GetChildren()]

    def get(self, node, interface, name):
        return self.at(node, PROPERTIES).Get(PREFIX + interface, name)

    def walk(self, node=("org.a11y.atspi.Registry", "/org/a11y/atspi/accessible/root")):
        for child in self.children(node):
            try:
                yield child
                yield from self.walk(child)
            except dbus.DBusException:
                continue  # it went meanwhile

    def named(self):
        for node in self.walk():
            try:
                name = str(self.get(node, "Accessible", "Name"))
            except dbus.DBusException:
                continue  # it went meanwhile
            if name:
                yield node, name

    def find(self, wanted, seconds=20.0):
        end = time.time() + seconds
        while time.time() < end:
            for node, name in self.named():
                if name == wanted:
                    return node
            time.sleep(0.2)
        sys.exit(f"nothing is called {wanted!r}; there are: " + "; ".join(n for _, n in self.named()))


def main(what, *words):
    driver = Driver()
    if what == "names":
        for node, name in driver.named():
            # number of its role: "AtspiRole" of at-spi2-core
            print(f"{int(driver.at(node, PREFIX + 'Accessible').GetRole())}: {name}")
    elif what == "wait":
        driver.find(words[0], float(words[1]))
    elif what == "press":
        if not driver.at(driver.find(words[0]), PREFIX + "Action").DoAction(0):
            sys.exit(f"{words[0]!r} could not be pressed")
    elif what == "focus":
        if not driver.at(driver.find(words[0]), PREFIX + "Component").GrabFocus():
            sys.exit(f"{words[0]!r} could not take the keyboard")
    elif what == "value":
        print(float(driver.get(driver.find(words[0]), "Value", "CurrentValue")))
    elif what == "set":
        number = dbus.Double(float(words[1]), variant_level=1)
        driver.at(driver.find(words[0]), PROPERTIES).Set(PREFIX + "Value", "CurrentValue", number)
    else:
        sys.exit(__doc__)


if __name__ == "__main__":
    main(*sys.argv[1:])
