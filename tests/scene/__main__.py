"""Command: render named films, or single frames of them, to a folder."""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2

from .catalogue import ALL
from .film import render, still
from .samples import write_samples, write_stills


def main() -> None:
    """Render what the command line names."""
    parser = argparse.ArgumentParser(prog="python -m tests.scene", description=__doc__)
    parser.add_argument("names", nargs="*", help="films to render; none lists them")
    parser.add_argument("--out", type=Path, default=Path("films"), help="folder to write to")
    parser.add_argument("--still", type=float, help="write only the frame at this time, s, as PNG")
    parser.add_argument("--samples", action="store_true", help="the samples of the project")
    parser.add_argument("--stills", action="store_true", help="only the stills of the samples")
    args = parser.parse_args()
    cv2.setNumThreads(1)
    if args.samples or args.stills:
        if args.stills:
            write_stills(args.out)
        else:
            write_samples(args.out, say=lambda text: print(text, flush=True))
        return
    if not args.names:
        for s in ALL.values():
            print(f"{s.name:32s} {s.about}")
        return
    for name in args.names:
        if name not in ALL:
            parser.error(f"no film is called {name}; run without arguments for the list")
        if args.still is not None:
            args.out.mkdir(parents=True, exist_ok=True)
            cv2.imwrite(str(args.out / f"{name}.png"), still(ALL[name], args.still)[0])
        else:
            print(render(ALL[name], args.out, say=lambda text: print(text, flush=True)))


if __name__ == "__main__":
    main()
