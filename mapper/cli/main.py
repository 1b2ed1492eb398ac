"""The `mapper` command: start the app, or plan, check and fit without it.

Exit status: 0 done; 1 done, and the answer is bad news (a step breaks the rule, a photo could
not be fitted); 2 the input or the call was wrong, nothing was done.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from mapper import __version__
from mapper.errors import MapperError, shown

if TYPE_CHECKING:
    from mapper.routes import RouteMap

__all__ = ["main"]

BAD_NEWS, BAD_INPUT = 1, 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit status."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # Windows consoles may not speak UTF-8
            stream.reconfigure(errors="replace")
    arguments = _parser().parse_args(argv)
    try:
        return arguments.run(arguments)
    except MapperError as error:
        print(f"mapper: {error}", file=sys.stderr)
        return BAD_INPUT
    except BrokenPipeError:
        return 0
    except KeyboardInterrupt:
        print("\nmapper: stopped; what was shown as saved is saved.", file=sys.stderr)
        return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="mapper",
        description="Map the leads of a flooded hot-runner plate and plan the pull order. "
        "Without a command the app starts in the browser.",
        epilog="Exit status: 0 done, 1 done with bad news (a step breaks the rule, a photo not "
        "fitted), 2 wrong input.",
    )
    parser.add_argument("--version", action="version", version=f"mapper {__version__}")
    _add_app_options(parser)
    parser.set_defaults(run=_start)
    commands = parser.add_subparsers(title="commands", metavar="COMMAND")

    demo = commands.add_parser("demo", help="start the app on the demo job (an invented plate)")
    _add_app_options(demo)
    demo.add_argument("--fresh", action="store_true", help="begin again with an untouched demo job")
    demo.set_defaults(run=_demo)

    plan = commands.add_parser("plan", help="pull order of a route-map file")
    plan.add_argument("file", type=Path, metavar="FILE", help="route-map file (JSON)")
    plan.add_argument("--json", action="store_true", help="print the plan as JSON")
    plan.set_defaults(run=_plan)

    check = commands.add_parser("check", help="check somebody's own pull order against the rule")
    check.add_argument("file", type=Path, metavar="FILE", help="route-map file (JSON)")
    check.add_argument(
        "--order",
        type=Path,
        required=True,
        metavar="CSV",
        help="table with a column wire, or with action, wire, past_x, past_y (peels)",
    )
    check.add_argument("--json", action="store_true", help="print the findings as JSON")
    check.set_defaults(run=_check)

    diff = commands.add_parser("diff", help="what differs between two route-map files")
    diff.add_argument("first", type=Path, metavar="A", help="route-map file (JSON), as found")
    diff.add_argument("second", type=Path, metavar="B", help="route-map file (JSON), as built")
    diff.add_argument("--json", action="store_true", help="print the differences as JSON")
    diff.set_defaults(run=_diff)

    fit = commands.add_parser("fit", help="fit photos to a plate, without clicks")
    fit.add_argument(
        "plate", type=Path, metavar="PLATE", help="route-map file (JSON) or drawing (DXF)"
    )
    fit.add_argument("photos", type=Path, nargs="+", metavar="PHOTO", help="JPEG, PNG or HEIC")
    fit.add_argument("--json", action="store_true", help="print the fits as JSON")
    fit.set_defaults(run=_fit)

    markers = commands.add_parser("markers", help="printable sheet of markers for the plate's face")
    markers.add_argument("file", type=Path, metavar="PDF", help="file to write")
    markers.add_argument(
        "--side", type=float, default=30.0, metavar="MM", help="side of the black square (30)"
    )
    markers.add_argument(
        "--ids", default="0-7", metavar="NUMBERS", help="such as 0-7,12; 0 to 49 (0-7)"
    )
    markers.add_argument("--paper", default="A4", help="A4, A3 or Letter (A4)")
    markers.add_argument("--force", action="store_true", help="write over a file that is there")
    markers.set_defaults(run=_markers)

    pack = commands.add_parser("pack", help="write a whole job with its photos to one ZIP")
    pack.add_argument("job", metavar="JOB", help="name of the job, or its id")
    pack.add_argument("file", type=Path, metavar="ZIP", help="file to write")
    pack.add_argument("--store", type=Path, metavar="FOLDER", help="folder that keeps the jobs")
    pack.set_defaults(run=_pack)

    take_in = commands.add_parser("take-in", help="make a job of a job pack or a route map")
    take_in.add_argument("file", type=Path, metavar="FILE", help="job pack or route map")
    take_in.add_argument("--store", type=Path, metavar="FOLDER", help="folder that keeps the jobs")
    take_in.set_defaults(run=_take_in)

    move = commands.add_parser("move", help="copy an archive to another place, and compare")
    move.add_argument("--store", type=Path, metavar="FOLDER", help="the old archive's folder")
    move.add_argument(
        "--to-store",
        type=Path,
        required=True,
        metavar="FOLDER",
        help="folder of the new archive, or for its copies of the photos",
    )
    move.add_argument("--to-database", metavar="URL", help="PostgreSQL database for the jobs")
    move.add_argument("--to-photos", metavar="URL", help="shared place for the photos (fsspec)")
    move.add_argument("--from-database", metavar="URL", help="database of the old archive")
    move.add_argument("--from-photos", metavar="URL", help="place of the old archive's photos")
    move.set_defaults(run=_move)

    convert = commands.add_parser("convert", help="write a route map in another form")
    convert.add_argument("file", type=Path, metavar="FROM", help="route map in any form")
    convert.add_argument(
        "to", type=Path, metavar="TO", help=".json, .graphml, .dxf, .svg, .xlsx or .zip (CSV)"
    )
    convert.set_defaults(run=_convert)
    return parser


def _add_app_options(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--store", type=Path, metavar="FOLDER", help="folder that keeps jobs and photos"
    )
    parser.add_argument("--port", type=int, default=None, help="port on 127.0.0.1 (default: free)")
    parser.add_argument("--no-browser", action="store_true", help="do not open a browser window")


def _start(arguments: argparse.Namespace) -> int:
    from mapper.records import default_store_folder
    from mapper.ui.server import serve

    serve(
        arguments.store or default_store_folder(),
        port=arguments.port,
        demo=False,
        open_browser=not arguments.no_browser,
    )
    return 0


def _demo(arguments: argparse.Namespace) -> int:
    from mapper.records import JobStore, default_store_folder, open_demo
    from mapper.ui.server import serve

    folder = arguments.store or default_store_folder() / "demo"
    store = JobStore(folder)
    job_id = open_demo(store, fresh=arguments.fresh)
    store.close()
    serve(
        folder,
        port=arguments.port,
        demo=True,
        open_browser=not arguments.no_browser,
        path=f"leads?job={job_id}",
    )
    return 0


def _plan(arguments: argparse.Namespace) -> int:
    from mapper.pulling import lifts, plan_pull
    from mapper.routes import read_route_map

    route_map = _with_parts(read_route_map(arguments.file))
    plan = plan_pull(route_map)
    if arguments.json:
        print(json.dumps(plan.to_dict(), indent=1, ensure_ascii=False, allow_nan=False))
        return 0
    words = {
        "complete": "Every lead comes out.",
        "needs-a-look": "Open crossings hold some leads back.",
        "locked": "Some leads hold each other locked.",
    }
    print(words[plan.status])
    for number, step in enumerate(plan.steps, 1):
        if step.past is None:
            print(f"{number:4}. pull {step.wire}")
        else:
            print(f"{number:4}. peel {step.wire} to just past {_place(*step.past)}")
    if not plan.steps and plan.look_at:
        for lift in lifts(route_map):
            place, shows = _place(*lift.step.past), ", ".join(lift.shows)
            print(
                f"  to see what lies under it ({shows}), peel {lift.step.wire} to just past {place}"
            )
    for look in plan.look_at:
        where = _place(look.x_mm, look.y_mm)
        print(f"  look at {look.a} / {look.b} at {where}: may free {look.frees}")
    for locked in plan.locked:
        print(f"  locked: {', '.join(locked.wires)}. {locked.cycle}")
        for number, release in enumerate(locked.release, 1):
            print(f"    way out {number}: {release.words}")
        if locked.held:
            print(f"    behind them: {', '.join(locked.held)}")
    return 0


def _with_parts(route_map: RouteMap) -> RouteMap:
    """The map with the covers, nozzles and heaters that the file tells of."""
    from mapper.pulling import with_parts
    from mapper.records import parts_in_file

    found = parts_in_file(route_map)
    for sentence in found.warnings:
        print(sentence, file=sys.stderr)
    return with_parts(route_map, found.parts)


def _check(arguments: argparse.Namespace) -> int:
    from mapper.pulling import check_order, read_order
    from mapper.routes import read_route_map

    route_map = _with_parts(read_route_map(arguments.file))
    violations = check_order(route_map, read_order(arguments.order))
    if arguments.json:
        found = [violation.to_dict() for violation in violations]
        print(json.dumps(found, indent=1, ensure_ascii=False, allow_nan=False))
    elif violations:
        for violation in violations:
            print(violation.sentence())
    else:
        print("No step pulls a lead from under another, as far as the route map knows.")
    return BAD_NEWS if violations else 0


def _diff(arguments: argparse.Namespace) -> int:
    from mapper.rebuild import route_difference
    from mapper.routes import read_route_map

    found = route_difference(read_route_map(arguments.first), read_route_map(arguments.second))
    if arguments.json:
        print(json.dumps(found.to_dict(), indent=1, ensure_ascii=False, allow_nan=False))
    elif found.same:
        print("Nothing differs.")
    else:
        print("\n".join(found.sentences()))
    return 0


def _pack(arguments: argparse.Namespace) -> int:
    from mapper.cli.packing import pack_job

    for warning in pack_job(arguments.store, arguments.job, arguments.file):
        print(warning, file=sys.stderr)
    return 0


def _take_in(arguments: argparse.Namespace) -> int:
    from mapper.cli.packing import take_in

    print(take_in(arguments.store, arguments.file))
    return 0


def _move(arguments: argparse.Namespace) -> int:
    from mapper.cli.packing import move

    moved = move(
        (arguments.store, arguments.from_database, arguments.from_photos),
        (arguments.to_store, arguments.to_database, arguments.to_photos),
    )
    counts = ", ".join(f"{count} rows of {name}" for name, count in moved.rows.items())
    print(f"Moved and compared: {counts}, {moved.photos} photos. The old archive is as it was.")
    for sha256 in moved.missing:
        print(f"Photo {sha256} was not in the old archive.", file=sys.stderr)
    for sentence in moved.remarks:
        print(sentence, file=sys.stderr)
    return BAD_NEWS if moved.missing else 0


def _convert(arguments: argparse.Namespace) -> int:
    from mapper.cli.packing import convert

    convert(arguments.file, arguments.to)
    return 0


def _fit(arguments: argparse.Namespace) -> int:
    from mapper.cli.fitting import fit_files, read_plate

    plate = read_plate(arguments.plate)

    def progress(done: int, total: int) -> None:
        if sys.stderr.isatty():
            bar = "#" * (30 * done // total)
            end = "\n" if done == total else ""
            print(f"\rfitting [{bar:30}] {done}/{total}", end=end, file=sys.stderr, flush=True)

    results = fit_files(plate, arguments.photos, progress)
    if arguments.json:
        print(json.dumps(results, indent=1, ensure_ascii=False, allow_nan=False))
    else:
        for result in results:
            if "error" in result:
                print(f"{result['photo']}: not fitted. {result['error']}")
            else:
                reasons = " ".join(result["reasons"])
                print(
                    f"{result['photo']}: {result['verdict']}, by {result['method']}, expected "
                    f"error {result['sigma_mm']:.2f} mm (1 sigma, worst drop). {reasons}".rstrip()
                )
    return BAD_NEWS if any("error" in result for result in results) else 0


def _markers(arguments: argparse.Namespace) -> int:
    from mapper.sheets.marker_sheet import MARKER_CAUTION, marker_sheet_pdf, read_marker_ids

    ids = read_marker_ids(arguments.ids)
    pdf = marker_sheet_pdf(arguments.side, ids, arguments.paper)
    if arguments.file.exists() and not arguments.force:
        raise MapperError(
            f"{shown(arguments.file)} is there already: name another file, or add --force."
        )
    try:
        arguments.file.write_bytes(pdf)
    except OSError as error:
        raise MapperError(
            f"{shown(arguments.file)} can't be written ({shown(error.strerror)}): name another "
            "file."
        ) from error
    print(
        f"Wrote {shown(arguments.file)}: {len(ids)} markers of {arguments.side:g} mm. Print at "
        "100 % and measure the bar at the foot: 100 mm."
    )
    print(MARKER_CAUTION)
    return 0


def _place(x_mm: float, y_mm: float) -> str:
    return f"({x_mm:.1f}, {y_mm:.1f}) mm"
