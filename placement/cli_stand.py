"""Sub-commands around the stand: `stand` before filming, `field-check` on the user's own table."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from placement.cli_clip import UsageError

if TYPE_CHECKING:
    import numpy as np

    from calibration import ExpectedError
    from placement.sheets import MeasuredSheet, Sheet

_PICTURES = (".jpg", ".jpeg", ".png", ".bmp", ".tif", ".tiff", ".webp")
_LINES = {"720": (1280, 720), "1080": (1920, 1080), "2160": (3840, 2160)}
_SHOWN = (5, 3)  # places along and across in the printed table


def add_commands(subparsers: Any) -> None:
    """Add `stand` and `field-check` to what `ArgumentParser.add_subparsers` returned."""
    words = (
        "How exact will a film from this stand be? Prints the expected 95 % error over the table "
        "and what would make it better, and draws it."
    )
    p = subparsers.add_parser("stand", help=words, description=words)
    p.add_argument(
        "--place", type=_numbers(2), required=True, metavar="X,Y",
        help="of the lens, m from the table's middle: along the table, and to the left across it",
    )  # fmt: skip
    p.add_argument("--height", type=float, required=True, metavar="M", help="above the floor, m")
    p.add_argument(
        "--mode", type=_mode, default="1080p60", metavar="MODE",
        help="lines and frames a second, as 1080p60 (the default), 720p240, 2160p30, 1920x1440@30",
    )  # fmt: skip
    lens = p.add_mutually_exclusive_group()
    lens.add_argument("--fov", type=float, metavar="DEG", help="horizontal field of view (65)")
    lens.add_argument(
        "--lens", type=float, metavar="MM", help="focal length of the lens, 35 mm equivalent"
    )
    p.add_argument("--upright", action="store_true", help="the phone is held upright")
    p.add_argument(
        "--out", type=_picture, default="stand.png", metavar="FILE",
        help="picture, .png, .svg or .pdf (stand.png)",
    )  # fmt: skip
    p.set_defaults(run=_stand)

    words = (
        "Check the tool on your own table: lay white A4 sheets (297 x 210 mm) on it at places "
        "measured with a tape, and film or photograph them from the stand."
    )
    p = subparsers.add_parser("field-check", help=words, description=words)
    p.add_argument("film", help="clip or still")
    p.add_argument(
        "--sheet", type=_sheet, action="append", required=True, metavar="X,Y[,ANGLE]",
        help="middle of a sheet, m from the table's middle; ANGLE turns its long side from along "
        "the table, counter-clockwise seen from above; once for each sheet",
    )  # fmt: skip
    p.add_argument("--corners", metavar="FILE", help="JSON with corners_px, if not found unaided")
    p.add_argument("--camera-fov", type=float, metavar="DEG", help="horizontal field of view")
    p.add_argument("--out", metavar="FILE", help="also draw it, as .png")
    p.set_defaults(run=_field_check)


def _numbers(*counts: int) -> Any:
    def read(text: str) -> tuple[float, ...]:
        try:
            values = tuple(float(part) for part in text.split(","))
        except ValueError:
            values = ()
        if len(values) not in counts or any(abs(v) > 1e3 or v != v for v in values):
            wanted = " or ".join(str(n) for n in counts)
            raise argparse.ArgumentTypeError(f"{text!r} is not {wanted} numbers with commas")
        return values

    return read


def _sheet(text: str) -> Sheet:
    from placement.sheets import Sheet

    x, y, *angle = _numbers(2, 3)(text)
    return Sheet(place=(x, y), angle_deg=angle[0] if angle else 0.0)


def _picture(text: str) -> str:
    """A name that a picture can have, told before anything is worked out."""
    if Path(text).suffix.lower() not in (".png", ".svg", ".pdf"):
        raise argparse.ArgumentTypeError(
            f"{text!r} is no picture's name: let it end in .png, .svg or .pdf"
        )
    return text


def _mode(text: str) -> tuple[tuple[int, int], float]:
    """Size and frames a second of a mode such as 1080p60 or 1920x1440@30."""
    named = re.fullmatch(r"(720|1080|2160)p(\d+)", text)
    free = re.fullmatch(r"(\d{3,5})x(\d{3,5})@(\d+)", text)
    if named:
        size, fps = _LINES[named[1]], float(named[2])
    elif free:
        size, fps = (int(free[1]), int(free[2])), float(free[3])
    else:
        size, fps = (0, 0), 0.0
    if not 10 <= fps <= 1000:
        raise argparse.ArgumentTypeError(f"{text!r} is not a mode such as 1080p60 or 1920x1440@30")
    return size, fps


def _stand(args: argparse.Namespace) -> int:
    from calibration import equivalent_to_field, expected_error

    size, fps = args.mode
    fov = equivalent_to_field(args.lens) if args.lens else args.fov
    if fov is not None and not 5 < fov < 150:
        raise UsageError(f"a lens with a horizontal field of {fov:g} degrees is none of a phone")
    if args.upright:
        size = size[::-1]
        if fov is not None:  # the field across the short side of the same lens
            from calibration import field_to_focal, focal_to_field

            fov = focal_to_field(field_to_focal(fov, size[1]), size[0])
    expected = expected_error((*args.place, args.height), size=size, fps=fps, fov_deg=fov)
    for line in error_table(expected):
        print(line)
    print(expected.advice)
    print(_draw_stand(expected, args.place, args.height, Path(args.out)))
    return 0


def error_table(expected: ExpectedError) -> list[str]:
    """The expected 95 % error at places over the table, mm, as lines of text."""
    import numpy as np

    nx, ny = _SHOWN
    columns = np.linspace(0, len(expected.x) - 1, nx).round().astype(int)
    rows = np.linspace(0, len(expected.y) - 1, ny).round().astype(int)[::-1]
    lines = ["expected error of a bounce, mm (95 of 100 lie closer); x along, y across, m"]
    lines.append("   y \\ x" + "".join(f"{expected.x[i]:+8.2f}" for i in columns))
    for j in rows:
        cells = "".join(f"{1e3 * expected.error_95[j, i]:8.0f}" for i in columns)
        lines.append(f"{expected.y[j]:+8.2f}{cells}")
    return lines


def _draw_stand(expected: ExpectedError, place: Sequence[float], height: float, path: Path) -> Path:
    import numpy as np
    from matplotlib.patches import Rectangle

    from placement.check_picture import table_lines
    from placement.plots import new_figure, plot_expected_error, plot_table, save_figure

    figure = new_figure(9.0, 6.2)
    left, right = figure.subplots(1, 2, width_ratios=[1.0, 1.25])
    plot_table(left, end_names=("negative-x end", "positive-x end"))
    plot_expected_error(left, (expected.x, expected.y, expected.error_95))
    left.set_title(
        f"lens at x {place[0]:g}, y {place[1]:g}, {height:g} m above the floor", fontsize=9
    )
    width, tall = expected.camera.size
    right.add_patch(Rectangle((0, 0), width, tall, facecolor="#f3f5f6", edgecolor="#6b7884"))
    for line in table_lines():
        seen = expected.camera.project(line)
        right.plot(*seen.T, color="#1f5f8b", linewidth=1.1, solid_capstyle="round", clip_on=True)
    right.set_xlim(-0.02 * width, 1.02 * width)
    right.set_ylim(1.02 * tall, -0.02 * tall)
    right.set_aspect("equal")
    right.set_axis_off()
    right.set_title("what the phone would see", fontsize=9)
    assert np.isfinite(expected.error_95).all()
    return save_figure(figure, path)


def _field_check(args: argparse.Namespace) -> int:
    from calibration import detect_table, refine_corners
    from placement.given import read_corners
    from placement.sheets import SheetError, draw_sheets, measure_sheet

    still = read_still(Path(args.film))
    size = (still.shape[1], still.shape[0])
    if args.corners:
        found = refine_corners(still, read_corners(args.corners, size), fov_deg=args.camera_fov)
    else:
        found = detect_table(still, fov_deg=args.camera_fov)
    luma = _grey(still)
    measured: list[MeasuredSheet] = []
    missing: list[str] = []
    for sheet in args.sheet:
        try:
            measured.append(measure_sheet(luma, found, sheet))
        except SheetError as error:
            missing.append(str(error))
    if not measured:
        raise SheetError(missing[0])
    for line in [*sheet_table(measured), *missing]:
        print(line)
    if args.out:
        from placement.canvas import encode_png

        path = Path(args.out)
        part = path.with_name(f".{path.name}.part")
        part.write_bytes(encode_png(draw_sheets(still, found, measured), photo=True))
        part.replace(path)
        print(path)
    return 0


def sheet_table(measured: Sequence[MeasuredSheet]) -> list[str]:
    """What was measured of the sheets, as lines of text."""
    import numpy as np

    lines = [
        "sheet   stated x, y, m    off along, across, mm   long, short side off, mm   within (95 %)"
    ]
    for k, m in enumerate(measured, start=1):
        place, size = 1e3 * m.place_error, 1e3 * m.size_error
        lines.append(
            f"{k:>5}   {m.sheet.place[0]:+7.3f} {m.sheet.place[1]:+7.3f}   "
            f"{place[0]:+12.1f} {place[1]:+8.1f}   {size[0]:+15.1f} {size[1]:+8.1f}   "
            f"{1e3 * m.expected_95:10.1f}"
        )
    off = np.array([np.hypot(*m.place_error) for m in measured])
    sides = np.array([m.size_error for m in measured])
    lines.append(
        f"places are off by {1e3 * np.sqrt((off**2).mean()):.1f} mm, sides by "
        f"{1e3 * np.sqrt((sides**2).mean()):.1f} mm (root mean square); the places hold your "
        "tape's error too, the sides do not"
    )
    return lines


def read_still(path: Path) -> np.ndarray:
    """A still from a picture, or from a clip with people taken out, BGR."""
    import cv2
    import numpy as np

    from placement.probe import calm_still
    from placement.video import VideoError, probe_clip

    if path.suffix.lower() not in _PICTURES:
        return calm_still(probe_clip(path))
    if not path.is_file():
        raise VideoError(f"{path} does not exist; check the name and the folder")
    # OpenCV's own reader cannot open every name on Windows
    picture = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise VideoError(f"{path.name} cannot be read as a picture; choose a JPEG or PNG")
    return np.asarray(picture)


def _grey(still: np.ndarray) -> np.ndarray:
    import cv2
    import numpy as np

    return np.asarray(cv2.cvtColor(still, cv2.COLOR_BGR2GRAY))
