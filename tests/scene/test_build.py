"""What a scene holds at an instant, and that the picture's geometry is the solution's."""

import dataclasses
import itertools

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scene_flight import APOGEE_S, BURNOUT_S, LIFTOFF_S, snapshot, tilt_rad
from scipy.spatial import cKDTree
from scipy.spatial.transform import Rotation, Slerp

from replay import rotation
from replay.review.catalogue import GIMBAL_ANGLE
from replay.review.series import OVERLAYS
from replay.scene import palette
from replay.scene.build import SceneOptions, build_scene, gimbal_at, middle_enu_m, prepare, signed
from replay.scene.camera import Viewpoint, camera_at
from replay.scene.drawlist import Polyline, Text
from replay.scene.lens import Lens
from replay.scene.mesh import thrust_axis_body
from replay.scene.project import project
from replay.scene.scene import Label, Line, Note, Solid
from replay.scene.spread import N_RINGS, rings
from replay.scene.tracks import pose_at, slerp

FLIGHT = prepare(snapshot())
ALONE = prepare(snapshot(with_what_if=False))


def _solids(scene):
    return [item for item in scene.items if isinstance(item, Solid) and len(item.parts) > 2]


def _texts(scene):
    return [row.text for item in scene.items if isinstance(item, Note) for row in item.rows]


def _nose(solid, n_sides, n_rings):
    """Direction of the drawn long axis, from the drawn vertices alone: middle of the tail's ring to the nose's tip."""
    rings = solid.parts[0].vertices_m[: n_sides * (n_rings + 2)].reshape(-1, n_sides, 3).mean(axis=1)
    return (rings[-1] - rings[0]) / np.linalg.norm(rings[-1] - rings[0])


@pytest.mark.parametrize("is_wide", [False, True])
@pytest.mark.parametrize("log_time_s", [0.0, 3.3, APOGEE_S, 13.99])
def test_the_drawn_nose_leans_as_the_solution_says(log_time_s, is_wide):
    """Tilt and azimuth measured off the drawn vertices equal the solution's."""
    solid = _solids(build_scene(FLIGHT, log_time_s, SceneOptions(is_wide=is_wide)))[0]
    nose = _nose(solid, *((16, 3) if is_wide else (20, 4)))
    assert np.arccos(nose[2]) == pytest.approx(float(tilt_rad(log_time_s - LIFTOFF_S)), abs=1e-4)
    assert np.degrees(np.arctan2(nose[0], nose[1])) == pytest.approx(75.0, abs=0.01)


def test_lean_on_the_side_picture_is_the_lean_in_the_east_plane():
    """Without perspective the drawn axis' slope is tan⁻¹(tan tilt · sin azimuth): what an observer to the south measures."""
    t = 9.0
    solid = _solids(build_scene(ALONE, t, SceneOptions(is_wide=True)))[0]
    lens = Lens(camera_at(Viewpoint("side"), ALONE.stage, middle_enu_m(ALONE, t, is_wide=True)), (900, 900))
    flat = lens.to_px(lens.to_camera(solid.parts[0].vertices_m))
    axis = np.linalg.svd(flat - flat.mean(axis=0))[2][0]
    measured = np.arctan2(abs(axis[0]), abs(axis[1]))
    expected = np.arctan(np.tan(tilt_rad(t - LIFTOFF_S)) * np.sin(np.radians(75.0)))
    assert measured == pytest.approx(float(expected), abs=2e-3)


def test_between_samples_the_attitude_is_scipys_slerp():
    """Against scipy.spatial.transform.Slerp at random shares, either sign of quaternion, and for a hair's breadth of turn."""
    rng = np.random.default_rng(5)
    for scale in (2.0, 1e-3, 1e-6):
        first = Rotation.random(rng=rng)
        second = first * Rotation.from_rotvec(rng.normal(scale=scale, size=3))
        for share in (0.0, 0.3, 1.0):
            expected = Slerp([0.0, 1.0], Rotation.concatenate([first, second]))(share)
            for sign in (1.0, -1.0):
                got = slerp(first.as_quat(scalar_first=True), sign * second.as_quat(scalar_first=True), share)
                assert (Rotation.from_quat(got, scalar_first=True).inv() * expected).magnitude() < 1e-8


def test_pose_is_held_beyond_the_ends_and_exact_at_samples():
    """Before the first and after the last row nothing is extrapolated."""
    track = FLIGHT.as_flown
    for t, i in ((-5.0, 0), (99.0, -1), (track.solution.log_time_s[700], 700)):
        pose = pose_at(track, float(t))
        assert_allclose(pose.pos_enu_m, track.solution.pos_enu_m[i], atol=1e-9)
        assert abs(pose.q_enu_from_body @ track.solution.q_enu_from_body[i]) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("n_samples", [1, 2])
def test_a_flight_of_one_or_two_samples_can_be_drawn(n_samples):
    """Degenerate logs give a picture, not an exception."""
    shot = snapshot(n_samples=3)
    solution = shot.as_flown
    short = dataclasses.replace(
        solution,
        **{name: getattr(solution, name)[:n_samples] for name in ("log_time_s", "q_enu_from_body", "pos_enu_m", "vel_enu_mps")},
        **{name: getattr(solution, name)[:n_samples] for name in ("accel_body_mps2", "rate_body_radps", "is_gravity_used")},
    )
    flight = prepare(dataclasses.replace(shot, as_flown=short, what_if=None))
    for is_wide in (False, True):
        assert build_scene(flight, 0.1, SceneOptions(is_wide=is_wide)).items


def test_without_a_position_the_attitude_is_still_drawn_and_it_is_said():
    """Not-a-number positions: the vehicle stands on the pad, no path, one line says so."""
    shot = snapshot(with_what_if=False)
    lost = dataclasses.replace(shot.as_flown, pos_enu_m=np.full_like(shot.as_flown.pos_enu_m, np.nan))
    flight = prepare(dataclasses.replace(shot, as_flown=lost))
    scene = build_scene(flight, 5.0, SceneOptions(is_wide=True))
    assert any("position not estimated" in text for text in _texts(scene))
    assert not [item for item in scene.items if isinstance(item, Line) and item.colour == palette.BLUE]
    assert all(np.isfinite(part.vertices_m).all() for solid in _solids(scene) for part in solid.parts)


@pytest.mark.parametrize("tilt", [0.0, 1e-12, np.pi - 1e-9, np.pi])
def test_upright_and_upside_down_can_be_drawn(tilt):
    """The two directions without an azimuth: every drawn number is finite."""
    shot = snapshot(with_what_if=False)
    q = np.broadcast_to(rotation.from_tilt(tilt, 1.0), shot.as_flown.q_enu_from_body.shape)
    flight = prepare(dataclasses.replace(shot, as_flown=dataclasses.replace(shot.as_flown, q_enu_from_body=q)))
    for item in build_scene(flight, 5.0).items:
        if isinstance(item, Line):
            drawn = item.points_enu_m[~np.isnan(item.points_enu_m).any(axis=1)]
            assert np.isfinite(drawn).all() and len(drawn) > 1


def test_the_twin_is_translucent_tinted_and_dashed():
    """As flown solid, what-if translucent in its own colour; both in the legend with their dash; gone when switched off."""
    scene = build_scene(FLIGHT, 9.0, SceneOptions(is_wide=True))
    flown, twin = _solids(scene)
    assert flown.alpha == 1.0 and 0.05 < twin.alpha < 0.5
    assert twin.glow is not None and twin.glow[0] == palette.VERMILLION
    keys = [row.key for item in scene.items if isinstance(item, Note) for row in item.rows if row.key]
    assert keys == [(palette.BLUE, "solid"), (palette.VERMILLION, "dashed")]
    assert len(_solids(build_scene(FLIGHT, 9.0, SceneOptions(show_what_if=False)))) == 1


def test_in_the_chase_view_both_stand_about_one_middle_and_in_wide_views_each_at_its_place():
    """Chase compares attitudes, the wide cameras compare places."""
    t = 9.0
    middles = {}
    for is_wide in (False, True):
        flown, twin = (s.parts[0].vertices_m for s in _solids(build_scene(FLIGHT, t, SceneOptions(is_wide=is_wide))))
        middles[is_wide] = np.linalg.norm(0.5 * (flown.min(0) + flown.max(0)) - 0.5 * (twin.min(0) + twin.max(0)))
    assert middles[False] < 0.1
    apart = np.linalg.norm(pose_at(FLIGHT.tracks[0], t).pos_enu_m - pose_at(FLIGHT.tracks[1], t).pos_enu_m)
    assert middles[True] == pytest.approx(apart, rel=0.3)


def test_thrust_is_shown_during_boost_only_and_along_the_gimballed_axis():
    """An arrow whose head touches the nozzle and whose direction is the flight model's thrust."""
    for t in (LIFTOFF_S - 0.1, BURNOUT_S + 0.1, APOGEE_S + 1.0):
        assert not [i for i in build_scene(FLIGHT, t).items if isinstance(i, Label) and i.text == "thrust"]
    t = LIFTOFF_S + 1.0
    items = build_scene(FLIGHT, t).items
    shaft, head = next(i for i in items if isinstance(i, Solid) and len(i.parts) == 2 and not i.is_first).parts
    ends = [part.vertices_m.mean(axis=0) for part in (shaft, head)]
    direction = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    q = pose_at(FLIGHT.as_flown, t).q_enu_from_body
    assert_allclose(direction, rotation.rotate(q, thrust_axis_body(gimbal_at(FLIGHT, t))), atol=1e-9)


def test_gimbal_is_interpolated_on_its_own_clock_and_held_at_its_ends():
    """Half way between two commands lies their mean; a log without the channel has it centred."""
    t, values = FLIGHT.gimbal
    assert_allclose(gimbal_at(FLIGHT, float(t[10] + t[11]) / 2), values[10:12].mean(axis=0), atol=1e-12)
    assert_allclose(gimbal_at(FLIGHT, -3.0), values[0])
    assert_allclose(gimbal_at(FLIGHT, 99.0), values[-1])
    assert_allclose(gimbal_at(dataclasses.replace(FLIGHT, gimbal=None), 3.0), 0.0)


def test_the_picture_says_what_was_enlarged_guessed_and_declared():
    """No number on screen without its caveat and unit."""
    wide, near = (_texts(build_scene(FLIGHT, 4.0, SceneOptions(is_wide=w))) for w in (True, False))
    assert any(text.startswith("vehicle ×") and "grid" in text and text.endswith(" m") for text in wide)
    assert not any("×" in text for text in near)
    for texts in (wide, near):
        assert "heading declared, not measured" in texts
        assert any("length" in text and "guessed" in text for text in texts)
        assert any(text.startswith("as flown  tilt 4.5°  azimuth 075°  roll +24.0°") for text in texts)
        assert any(text.startswith("T+2.00 s  boost  height") for text in texts)


def test_flown_and_coming_path_meet_at_the_vehicle():
    """The bold line ends where the pale one begins, on the vehicle's tail."""
    t = 6.0
    items = build_scene(ALONE, t, SceneOptions(is_wide=True)).items
    ahead, flown = [i for i in items if isinstance(i, Line) and i.colour == palette.BLUE and len(i.points_enu_m) > 30][:2]
    assert flown.width_px > ahead.width_px and ahead.alpha < flown.alpha
    assert_allclose(flown.points_enu_m[-1], ahead.points_enu_m[0])
    assert_allclose(flown.points_enu_m[-1], pose_at(ALONE.as_flown, t).pos_enu_m)


def test_the_thinned_path_stays_on_the_path():
    """No point of the full path is farther from the drawn one than a thousandth of its length."""
    track = FLIGHT.as_flown
    full, thin = track.solution.pos_enu_m, track.path_enu_m
    dense = np.concatenate([a + np.linspace(0.0, 1.0, 40)[:, None] * (b - a) for a, b in itertools.pairwise(thin)])
    apart, _ = cKDTree(dense).query(full)
    assert apart.max() < 1e-3 * np.linalg.norm(np.diff(full, axis=0), axis=1).sum()
    assert len(thin) <= 330


def test_the_same_instant_gives_the_same_draw_list():
    """Deterministic: two builds, bit for bit."""
    lists = []
    for _ in range(2):
        flight = prepare(snapshot())
        scene = build_scene(flight, 7.0, SceneOptions(is_wide=True))
        lists.append(project(scene, camera_at(Viewpoint("orbit"), flight.stage, middle_enu_m(flight, 7.0, is_wide=True)), (640, 480)))
    for a, b in zip(*(d.shapes for d in lists), strict=True):
        assert type(a) is type(b)
        if isinstance(a, Polyline):
            assert (a.points_px == b.points_px).all()
        if isinstance(a, Text):
            assert a == b


def test_signed_numbers():
    """A true minus sign, always a sign, and no minus zero."""
    assert [signed(v, 1) for v in (-1.26, 0.0, -0.04, 2.0)] == ["−1.3", "+0.0", "+0.0", "+2.0"]


def test_a_reflown_flight_is_a_third_vehicle_with_its_own_path():
    """Among the overlays the re-flown one is drawn as a vehicle, dash-dotted in its colour; another method's solution is not."""
    shot = snapshot()
    shot = dataclasses.replace(shot, extras={OVERLAYS: {"reflown": shot.what_if, "kalman": shot.as_flown}})
    scene = build_scene(prepare(shot), 9.0, SceneOptions(is_wide=True))
    assert len(_solids(scene)) == 3
    keys = [row.key for item in scene.items if isinstance(item, Note) for row in item.rows if row.key]
    assert keys[2] == (palette.PURPLE, "dashdot")
    assert any(isinstance(item, Line) and item.dash == "dashdot" and len(item.points_enu_m) > 30 for item in scene.items)


def _shifted(solution, east_m):
    return dataclasses.replace(solution, pos_enu_m=solution.pos_enu_m + [east_m, 0.0, 0.0])


def test_a_method_drawn_for_comparison_is_a_thin_path_with_its_own_look_under_the_flights_own():
    """In plan and in every wide view: its path through its own positions, a cross where it has the vehicle, its name in the legend; it has
    no vehicle and does not change what the camera holds."""
    shot = snapshot()
    off = _shifted(shot.as_flown, 40.0)
    flight = prepare(dataclasses.replace(shot, extras={OVERLAYS: {"kalman": off}}))
    assert flight.stage == prepare(shot).stage
    scene = build_scene(flight, 9.0, SceneOptions(is_wide=True))
    assert len(_solids(scene)) == len(_solids(build_scene(prepare(shot), 9.0, SceneOptions(is_wide=True))))
    colour, dash, _ = palette.OVERLAYS["kalman"]
    lines = [item for item in scene.items if isinstance(item, Line)]
    gone, to_come = sorted((line for line in lines if line.dash == dash), key=lambda line: -line.width_px)
    assert {gone.colour, to_come.colour} == {colour}
    here = pose_at(flight.as_flown, 9.0).pos_enu_m + [40.0, 0.0, 0.0]
    for end in (gone.points_enu_m[-1], to_come.points_enu_m[0]):
        assert_allclose(end, here, atol=1e-9)
    assert_allclose(to_come.points_enu_m[-1], off.pos_enu_m[-1], atol=1e-9)
    cross = next(line for line in lines if line.colour == colour and line.dash == "solid")
    assert_allclose(np.nanmean(cross.points_enu_m, axis=0), here, atol=1e-9)
    own = next(line for line in lines if line.colour == palette.BLUE and line.width_px == 2.0)
    assert lines.index(to_come) < lines.index(gone) < lines.index(own) and gone.width_px < own.width_px
    rows = [row for item in scene.items if isinstance(item, Note) for row in item.rows]
    assert [(row.text, row.key) for row in rows if row.text == "kalman"] == [("kalman", (colour, dash))]


def test_beside_the_vehicle_a_compared_method_shows_where_it_has_the_nose():
    """A line from the vehicle's middle along that method's nose, not its path."""
    shot = snapshot()
    turned = dataclasses.replace(
        shot.as_flown, q_enu_from_body=rotation.multiply(rotation.from_rotvec(np.array([0.2, 0.0, 0.0])), shot.as_flown.q_enu_from_body)
    )
    flight = prepare(dataclasses.replace(shot, extras={OVERLAYS: {"gradient": turned}}))
    colour, dash, _ = palette.OVERLAYS["gradient"]
    (line,) = [item for item in build_scene(flight, 9.0).items if isinstance(item, Line) and item.dash == dash]
    along = line.points_enu_m[1] - line.points_enu_m[0]
    nose = rotation.rotate(pose_at(flight.compared[0], 9.0).q_enu_from_body, [0.0, 0.0, 1.0])
    assert line.colour == colour
    assert_allclose(along / np.linalg.norm(along), nose, atol=1e-12)


def test_a_method_without_a_path_has_its_name_alone():
    """Where no position was estimated nothing is drawn but the name; names stand below each other, clear of the middle of the picture."""
    shot = snapshot()
    blind = dataclasses.replace(shot.as_flown, pos_enu_m=np.full_like(shot.as_flown.pos_enu_m, np.nan))
    methods = ("integrate", "complementary", "gradient", "kalman")
    flight = prepare(dataclasses.replace(shot, extras={OVERLAYS: dict.fromkeys(methods, blind)}))
    scene = build_scene(flight, 9.0, SceneOptions(is_wide=True))
    dashes = {palette.OVERLAYS[method][1] for method in methods}
    assert not [item for item in scene.items if isinstance(item, Line) and item.dash in dashes]
    camera = camera_at(Viewpoint("top"), flight.stage, np.zeros(3), 320 / 220)
    texts = [s for s in project(scene, camera, (320, 220)).shapes if isinstance(s, Text) and s.text in methods]
    assert [text.text for text in texts] == list(methods)
    assert (np.diff([text.y_px for text in texts]) > 12.0).all()
    assert max(text.x_px + 0.6 * text.size_px * len(text.text) for text in texts) < 160.0


def test_before_it_lifts_off_a_reflown_flight_has_neither_tilt_nor_vehicle():
    """As in the readout: the model begins at liftoff, so before it there is nothing to name or to draw."""
    shot = snapshot()
    i = int(np.searchsorted(shot.what_if.log_time_s, LIFTOFF_S))
    arrays = ("log_time_s", "q_enu_from_body", "pos_enu_m", "vel_enu_mps", "accel_body_mps2", "rate_body_radps", "is_gravity_used")
    again = dataclasses.replace(shot.what_if, **{name: getattr(shot.what_if, name)[i:] for name in arrays})
    flight = prepare(dataclasses.replace(shot, extras={OVERLAYS: {"reflown": again}}))
    for is_wide in (False, True):
        before, after = (build_scene(flight, t, SceneOptions(is_wide=is_wide)) for t in (LIFTOFF_S - 1.0, LIFTOFF_S + 0.5))
        assert len(_solids(after)) == len(_solids(before)) + 1
        assert [text for text in _texts(before) if text.startswith("re-flown")] == ["re-flown  from liftoff"]
        assert any(text.startswith("re-flown  tilt") for text in _texts(after))


@pytest.mark.parametrize("name", ["side", "top", "orbit"])
def test_in_a_narrow_picture_no_note_lies_over_the_flight(name):
    """No point of a path, ring, vehicle or the ground and no compass letter lies in a note's field; all of them stay in the picture."""
    shot = snapshot()
    shot = dataclasses.replace(shot, extras={OVERLAYS: {"reflown": shot.what_if, "complementary": shot.as_flown, "kalman": shot.as_flown}})
    flight, size = prepare(shot), (317, 252)
    options = SceneOptions(is_wide=True, is_narrow=True, text_px=11.4)
    for t in (0.0, 4.0, APOGEE_S, 13.9):
        camera = camera_at(
            Viewpoint(name), flight.stage, middle_enu_m(flight, t, is_wide=True), 1.15 * (size[0] - options.strip_px) / size[1]
        )
        scene = build_scene(flight, t, options)
        rows = {row.text for item in scene.items if isinstance(item, Note) for row in item.rows}
        shapes = project(dataclasses.replace(scene, items=tuple(i for i in scene.items if not isinstance(i, Note))), camera, size).shapes
        letters = np.array([(s.x_px + dx, s.y_px) for s in shapes if isinstance(s, Text) and s.text in "NESW" for dx in (-5.0, 5.0)])
        drawn = np.concatenate([letters, *(s.points_px.reshape(-1, 2) for s in shapes if not isinstance(s, Text))])
        assert len(letters) >= 4 and (drawn > 0.0).all() and (drawn < size).all()
        notes = sorted((s for s in project(scene, camera, size).shapes if isinstance(s, Text) and s.text in rows), key=lambda n: n.y_px)
        assert min(below.y_px - above.y_px for above, below in itertools.pairwise(notes)) > 11.4
        for note in notes:
            right = note.x_px + 0.51 * note.size_px * len(note.text)
            assert not ((drawn[:, 0] < right + 2.0) & (np.abs(drawn[:, 1] - note.y_px) < 6.0)).any(), note.text


def test_twins_differ_by_more_than_colour():
    """The what-if is filled with a whole outline, the re-flown one hollow with a dashed outline, and it has its own gimbal angle."""
    shot = snapshot()
    bent = (np.array([0.0, 20.0]), np.radians([[4.0, 0.0], [4.0, 0.0]]))
    again = dataclasses.replace(shot.what_if, diagnostics={GIMBAL_ANGLE: bent})
    shot = dataclasses.replace(shot, extras={OVERLAYS: {"reflown": again}})
    flown, what_if, reflown = _solids(build_scene(prepare(shot), 9.0))
    assert (flown.alpha, what_if.edge_dash, reflown.edge_dash) == (1.0, "solid", "dashdot")
    assert reflown.alpha < 0.3 * what_if.alpha
    straight = dataclasses.replace(shot, extras={OVERLAYS: {"reflown": shot.what_if}})
    moved = [
        np.abs(a.vertices_m - b.vertices_m).max()
        for a, b in zip(reflown.parts, _solids(build_scene(prepare(straight), 9.0))[2].parts, strict=True)
    ]
    assert sum(m > 1e-4 for m in moved) == 1  # the nozzle


def test_rings_are_one_standard_deviation():
    """Worked by hand: a straight climb known to 3 m east and 1 m north, 2 m up; level rings of that size, and upright ones at the top."""
    path = np.column_stack((np.zeros(50), np.zeros(50), np.linspace(0.0, 98.0, 50)))
    rows = rings(path, np.tile([3.0, 1.0, 2.0], (50, 1)))
    each = rows[np.isfinite(rows[:, 0])].reshape(-1, 25, 3)
    assert len(each) == N_RINGS + 3
    assert_allclose(np.ptp(each[0], axis=0), [6.0, 2.0, 0.0], atol=1e-12)
    assert_allclose(np.ptp(each[-2], axis=0), [6.0, 0.0, 4.0], atol=1e-12)
    assert_allclose(np.ptp(each[-1], axis=0), [0.0, 2.0, 4.0], atol=1e-12)
    assert_allclose(each[-1].mean(axis=0)[2], 98.0, atol=0.1)
    assert not len(rings(path, np.zeros((50, 3))))
    assert not len(rings(path, np.full((50, 3), np.nan)))


def test_a_path_known_with_a_spread_is_drawn_with_its_rings():
    """In the wide cameras only, and only where the method has standard deviations."""
    shot = snapshot()
    sd = np.tile(np.linspace(0.0, 2.0, len(shot.as_flown.log_time_s))[:, None], (1, 3))
    known = dataclasses.replace(shot, as_flown=dataclasses.replace(shot.as_flown, pos_sd_enu_m=sd))

    def n_lines(shot, is_wide):
        return sum(isinstance(item, Line) for item in build_scene(prepare(shot), 9.0, SceneOptions(is_wide=is_wide)).items)

    assert n_lines(known, True) == n_lines(shot, True) + 1
    assert n_lines(known, False) == n_lines(shot, False)
