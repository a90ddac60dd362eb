"""One table of commands: what the menus hold, which keys they answer to, and the key sheet in Help.

A command's handler is the window's method `on_<id>`; so a command without one fails when the window is built, not when it is used.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Final

from PySide6.QtCore import Qt
from PySide6.QtGui import QAction, QKeySequence
from PySide6.QtWidgets import QMenu, QMenuBar, QWidget


@dataclass(frozen=True)
class Command:
    """One row.

    Parameters
    ----------
    id : str
    menu : str
        Title of its menu; "-" before it begins a new group.
    text : str
        With a mnemonic.
    keys : tuple of str
        Portable key sequences; the first is shown in the menu.
    tip : str
        One line, shown in the status line and on the key sheet.
    is_checkable : bool
    is_group_start : bool
        A separator goes before it.
    needs_log : bool
        Greyed until a flight is open.
    """

    id: str
    menu: str
    text: str
    keys: tuple[str, ...] = ()
    tip: str = ""
    is_checkable: bool = False
    is_group_start: bool = False
    needs_log: bool = True


MENUS: Final = ("&Flight", "&Edit", "&Play", "&View", "&Help")

COMMANDS: Final = (
    Command("open", "&Flight", "&Open…", ("Ctrl+O",), "Open a log, several files of one flight, or a review", needs_log=False),
    Command("recent", "&Flight", "Open &Recent", (), "Files opened before", needs_log=False),
    Command("samples", "&Flight", "Sample &Flights", (), "Flights of an invented vehicle, each with something to find", needs_log=False),
    Command("save", "&Flight", "&Save Review", ("Ctrl+S",), "Save this review", is_group_start=True),
    Command("save_as", "&Flight", "Save Review &As…", ("Ctrl+Shift+S",), "Save this review under another name"),
    Command(
        "column_map",
        "&Flight",
        "&Column Map…",
        ("Ctrl+M",),
        "Which column is which channel, in which unit, with which sign",
        is_group_start=True,
    ),
    Command("audit", "&Flight", "&What Was Read…", ("Ctrl+I",), "Columns, units, rates, gaps and everything wrong with the log"),
    Command("launch_video", "&Flight", "Launch Vi&deo…", ("Ctrl+L",), "Open the film of this launch beside the replay"),
    Command("vehicle", "&Flight", "&Vehicle File…", (), "Choose the vehicle file: mass, motor, gimbal, site"),
    Command("as_flown", "&Flight", "Calibration As F&lown…", (), "Choose the calibration file the flight computer flew with"),
    Command("export_whatif", "&Flight", "Save What-&if Calibration…", (), "Save the edited calibration as a calibration file"),
    Command("figures", "&Flight", "Fi&gures…", ("Ctrl+P",), "Figures for print, slides and video, with caption, as they will be saved"),
    Command("film", "&Flight", "Fil&m…", ("Ctrl+Shift+P",), "The replay as a video, or as pictures with a clear ground for footage"),
    Command("report", "&Flight", "Repor&t…", ("Ctrl+Shift+R",), "The write-up of this flight as a page, for print, and as tables"),
    Command(
        "bench",
        "&Flight",
        "&Bench Work…",
        ("Ctrl+B",),
        "Calibrate from a bench recording: six faces, many poses, turns, temperature, Allan deviation",
        needs_log=False,
    ),
    Command("quit", "&Flight", "&Quit", ("Ctrl+Q",), "Close the window", is_group_start=True, needs_log=False),
    Command("undo", "&Edit", "&Undo", ("Ctrl+Z",), "Take back the last edit; a drag is one edit"),
    Command("redo", "&Edit", "&Redo", ("Ctrl+Shift+Z", "Ctrl+Y"), "Do again what was taken back"),
    Command(
        "whatif", "&Edit", "Show &What-if", ("W",), "Draw the what-if beside the flight as flown", is_checkable=True, is_group_start=True
    ),
    Command("reset_whatif", "&Edit", "Rese&t What-if", ("Ctrl+R",), "Give every calibration number back its value as flown"),
    Command(
        "stop_estimating",
        "&Edit",
        "Stop &Estimating, or Again",
        ("Ctrl+E",),
        "Give a long estimate up, what is drawn stays; once more, again",
    ),
    Command("bookmark", "&Edit", "&Bookmark Here", ("B",), "Set a bookmark at the cursor, or take it away", is_group_start=True),
    Command("release_events", "&Edit", "&Give Back Moved Events", (), "Let the estimator place the events again that were moved by hand"),
    Command(
        "mark_liftoff",
        "&Edit",
        "&Liftoff on This Video Frame",
        ("U",),
        "Line launch video and log up: it lifts off on the frame shown",
        is_group_start=True,
    ),
    Command("liftoff_from_sound", "&Edit", "Liftoff from the Video's &Sound", ("Shift+U",), "Find liftoff by the motor's onset"),
    Command("draw_sighting", "&Edit", "&Draw Along the Vehicle", ("N",), "Lay a line along the vehicle on the video: a tilt sighting"),
    Command("close_video", "&Edit", "Ta&ke Launch Video Away", (), "The review no longer names a launch video"),
    Command("play", "&Play", "&Play or Pause", ("Space",), "Play from the cursor, or pause"),
    Command("sample_back", "&Play", "Sample &Back", ("Left",), "One sample back", is_group_start=True),
    Command("sample_on", "&Play", "Sample &On", ("Right",), "One sample on"),
    Command("frame_back", "&Play", "&Frame Back", ("Shift+Left",), "One frame back: of the launch video, else of the chosen frame rate"),
    Command("frame_on", "&Play", "F&rame On", ("Shift+Right",), "One frame on: of the launch video, else of the chosen frame rate"),
    Command("event_back", "&Play", "&Event Back", ("Ctrl+Left",), "To the event or bookmark before the cursor", is_group_start=True),
    Command("event_on", "&Play", "E&vent On", ("Ctrl+Right",), "To the event or bookmark after the cursor"),
    Command("to_start", "&Play", "To the S&tart", ("Home",), "To the first row of the log"),
    Command("to_end", "&Play", "To the E&nd", ("End",), "To the last row of the log"),
    Command("slower", "&Play", "&Slower", ("Ctrl+Down",), "Next lower play rate", is_group_start=True),
    Command("faster", "&Play", "F&aster", ("Ctrl+Up",), "Next higher play rate"),
    Command("loop", "&Play", "&Loop", ("Shift+Space",), "Go round the chosen span, or the whole flight", is_checkable=True),
    Command("span_start", "&Play", "Span Starts &Here", ("Shift+Home",), "Begin the span at the cursor", is_group_start=True),
    Command("span_end", "&Play", "Span En&ds Here", ("Shift+End",), "End the span at the cursor"),
    Command("span_clear", "&Play", "&Clear Span", ("Escape",), "No span"),
    Command("camera_chase", "&View", "Camera: &Chase", ("1",), "Attitude seen from beside and above the vehicle"),
    Command("camera_pad", "&View", "Camera: &Pad", ("2",), "Attitude seen from the launch pad"),
    Command("camera_side", "&View", "Camera: &Side", ("3",), "Attitude seen level from the side"),
    Command("camera_top", "&View", "Camera: &Top", ("4",), "Attitude seen from above, north up"),
    Command("camera_orbit", "&View", "Camera: &Orbit", ("5",), "Attitude seen round the whole flight"),
    Command("camera_back", "&View", "Set Camera &Back", ("0",), "Camera back to where it began"),
    Command("orbit_left", "&View", "Orbit &Left", ("Ctrl+Shift+Left",), "Turn the camera round to the left", is_group_start=True),
    Command("orbit_right", "&View", "Orbit &Right", ("Ctrl+Shift+Right",), "Turn the camera round to the right"),
    Command("orbit_up", "&View", "Orbit &Up", ("Ctrl+Shift+Up",), "Raise the camera"),
    Command("orbit_down", "&View", "Orbit &Down", ("Ctrl+Shift+Down",), "Lower the camera"),
    Command("zoom_in", "&View", "Zoom &In", ("+", "="), "Bring the camera nearer"),
    Command("zoom_out", "&View", "&Zoom Out", ("-",), "Take the camera away"),
    Command("whole_flight", "&View", "&Whole Flight", ("F",), "Traces show the whole log", is_group_start=True),
    Command("around_cursor", "&View", "&Around the Cursor", ("Z",), "Traces show two seconds about the cursor"),
    Command("phases", "&View", "Zoom to P&hase", (), "Traces show one phase"),
    Command("video_view", "&View", "Lau&nch Video", ("V",), "The launch video above the traces", is_checkable=True, is_group_start=True),
    Command("traces", "&View", "Choos&e Traces…", ("T",), "Choose what the pane with the focus shows"),
    Command(
        "diagnostics",
        "&View",
        "Dia&gnostic Traces",
        ("Shift+T",),
        "Innovations and rest residuals: whether an estimate can be trusted; once more, away",
    ),
    Command("measure", "&View", "&Measure", ("M",), "Δt, mean, slope, extremes and integral between two handles on the traces"),
    Command("panel_on", "&View", "Ne&xt Panel", ("Ctrl+Tab",), "The next of the panels on the right", is_group_start=True, needs_log=False),
    Command("panel_back", "&View", "Pre&vious Panel", ("Ctrl+Shift+Tab",), "The panel before", needs_log=False),
    Command("reset_layout", "&View", "Reset La&yout", (), "Panels back to their places", is_group_start=True, needs_log=False),
    Command("keys", "&Help", "&Keys", ("F1",), "Every key and what it does", needs_log=False),
    Command("hint", "&Help", "What to &Try", (), "The first thing to try with the sample flight", needs_log=False),
    Command("cautions", "&Help", "&Cautions", ("Shift+F1",), "What this tool is not for", needs_log=False),
    Command("about", "&Help", "&About Plumbline", (), "Version, licences, and what it is built with", needs_log=False),
)
"""Every command, in menu order. A command with no handler but a submenu fills that when it opens."""

SUBMENUS: Final = ("recent", "samples", "phases")
"""Commands that open a submenu instead of doing something."""


def clashes(commands: Iterable[Command] = COMMANDS) -> dict[str, list[str]]:
    """Keys that more than one command answers to: key -> ids. Empty when all is well."""
    users: dict[str, list[str]] = {}
    for command in commands:
        for key in command.keys:
            users.setdefault(QKeySequence(key).toString(QKeySequence.SequenceFormat.PortableText), []).append(command.id)
    return {key: ids for key, ids in users.items() if len(ids) > 1}


def build(owner: QWidget, bar: QMenuBar, handler_of: Callable[[str], Callable[..., None]]) -> tuple[dict[str, QAction], dict[str, QMenu]]:
    """Menus and actions of the whole table.

    Parameters
    ----------
    owner : QWidget
        The window; the keys work wherever in it the focus is.
    bar : QMenuBar
    handler_of : callable (id) -> callable
        A checkable command's handler takes the new state.

    Returns
    -------
    actions, submenus : dict of str to QAction, of str to QMenu
    """
    menus = {title: bar.addMenu(title) for title in MENUS}
    actions: dict[str, QAction] = {}
    submenus: dict[str, QMenu] = {}
    for menu in menus.values():
        menu.setToolTipsVisible(True)
    for command in COMMANDS:
        menu = menus[command.menu]
        if command.is_group_start:
            menu.addSeparator()
        if command.id in SUBMENUS:
            submenus[command.id] = menu.addMenu(command.text)
            action = submenus[command.id].menuAction()
        else:
            action = QAction(command.text, owner)
            action.setShortcuts([QKeySequence(key) for key in command.keys])
            action.setShortcutContext(Qt.ShortcutContext.WindowShortcut)
            action.setCheckable(command.is_checkable)
            (action.toggled if command.is_checkable else action.triggered).connect(_call(handler_of(command.id), command.is_checkable))
            menu.addAction(action)
        action.setStatusTip(command.tip)
        action.setToolTip(command.tip)
        actions[command.id] = action
    return actions, submenus


def _call(handler: Callable[..., None], takes_state: bool) -> Callable[..., None]:
    return (lambda state: handler(state)) if takes_state else (lambda *_: handler())


def sheet_html(more: Iterable[tuple[str, str]] = ()) -> str:
    """The key sheet: menu by menu, every command that has a key, then `POINTER` and `more`, the keys of single widgets."""
    parts = ["<table cellspacing='0' cellpadding='3'>"]
    for title in MENUS:
        rows = [command for command in COMMANDS if command.menu == title and command.keys]
        if rows:
            parts.append(f"<tr><td colspan='3'><b>{title.replace('&', '')}</b></td></tr>")
        for command in rows:
            keys = " or ".join(QKeySequence(key).toString(QKeySequence.SequenceFormat.NativeText) for key in command.keys)
            parts.append(f"<tr><td><b>{keys}</b></td><td>{command.text.replace('&', '')}</td><td>{command.tip}</td></tr>")
    for keys, what in (*POINTER, *more):
        parts.append(f"<tr><td><b>{keys}</b></td><td colspan='2'>{what}</td></tr>")
    parts.append("</table>")
    return "".join(parts)


POINTER: Final = (
    ("Up, Down", "on a calibration slider: one step; Page Up and Page Down: ten steps"),
    ("Shift and drag", "on a calibration slider: ten times finer than the pointer"),
    ("Space", "on a button or check box reached with Tab: press it"),
)
"""Keys of single widgets, which the table can't hold; none of them is a key of the window's while the widget has the focus."""
