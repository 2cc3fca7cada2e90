"""The command line: ``drm demo``, ``describe``, ``diagnose``, ``review``, ``study``, ``trend`` and ``simulate``.

Results go to standard output, talk to standard error. Exit status: 0 done; 1 done, and a finding is at or above
``--fail-on``; 2 the input or the words are wrong, in one line. Everything heavy is imported where it is used.
"""

from __future__ import annotations

import atexit
import gc
import json
import os
import sys
import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import wraps
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from drm.errors import DrmError, InputError
from drm.progress import listening, now

if TYPE_CHECKING:
    from drm.pipeline import Result

__all__ = ["main"]

LEVELS = ("hold", "inspect", "watch", "note")
T = TypeVar("T")


def _say(words: str) -> None:
    """Progress, on standard error and only where somebody reads it."""
    if sys.stderr.isatty():
        click.echo(words, err=True)


def _along(items: Iterable[T], what: str) -> Iterable[T]:
    """`items`; on a terminal with a bar where there are several, and with words of what is being done to each."""
    every = list(items)
    if not sys.stderr.isatty():
        yield from every
    elif len(every) < 2:
        with listening(_say):
            yield from every
    else:
        from tqdm import tqdm

        bar = tqdm(every, desc=what, file=sys.stderr, leave=False)
        with listening(bar.set_postfix_str):
            yield from bar


def _one_line(command: Callable[..., int]) -> Callable[..., None]:
    """Turn this package's errors into one line on standard error and exit status 2, and end with the status given."""

    @wraps(command)
    def run(**words: Any) -> None:
        try:
            status = command(**words)
        except DrmError as error:
            click.echo(f"drm: {error.line()}", err=True)
            status = 2
        except BrokenPipeError:
            # Whoever read the results has had enough; nothing is left for the interpreter to flush at its end.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            status = 2
        except OSError as error:
            where = f"{error.filename}: " if error.filename else ""
            what = f"{where}cannot be read or written ({error.strerror or error})"
            click.echo(f"drm: {what}; make room, or name another place", err=True)
            # What is still buffered cannot be written either, and the interpreter would complain at its end.
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            status = 2
        except MemoryError:
            click.echo("drm: not enough memory for this record; cut it to the operation and try again", err=True)
            status = 2
        raise SystemExit(status)

    return run


class _OneLineGroup(click.Group):
    """A group whose complaints about the words of the command line are one line each."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        kwargs["standalone_mode"] = False
        try:
            return super().main(*args, **kwargs)
        except click.exceptions.NoArgsIsHelpError as error:
            click.echo(error.format_message())
            raise SystemExit(2) from None
        except click.ClickException as error:
            where = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "drm"
            message = " ".join(error.format_message().split())
            click.echo(f"drm: {message} ('{where} --help' lists the words)", err=True)
            raise SystemExit(2) from None
        except click.Abort:
            click.echo("drm: stopped", err=True)
            raise SystemExit(130) from None


@click.group(cls=_OneLineGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="interrupter-drm", prog_name="drm")
def _group() -> None:
    """Read the recorded operation of a high-voltage circuit-breaker and say what its contacts show.

    What is printed and written supports a qualified person's decision; it never replaces it. Local codes, the maker's
    documents and licensed practice come first.
    """


def main() -> None:
    """Run the command line."""
    # Before numpy loads: the matrices here are small, and threads that wait for one another in a loop only cost.
    for library in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(library, "1")
    for stream in (sys.stdout, sys.stderr):
        # Redirected output is UTF-8 too: units have a mu and an omega.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(encoding="utf-8", errors="backslashreplace")
    try:
        _group()
    except SystemExit as end:
        if sys.argv[1:2] == ["diagnose"]:
            _leave(end.code)
        raise
    finally:
        # What could be given back need not be looked for before everything is.
        gc.freeze()


def _leave(code: object) -> None:
    """End the process at once where nothing is left to do: to clear itself away takes it a twentieth of the job.

    All that was written is on the disk and no thread of ours runs on; what others registered for the end is done.
    """
    if not (code is None or isinstance(code, int)) or threading.active_count() > 1:
        return
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        try:
            stream.flush()
        except OSError:
            # The interpreter says what it says of that.
            return
    os._exit(code or 0)


_RECORDS = click.argument("records", nargs=-1, required=True, metavar="RECORD...")


@_group.command()
@click.option("--out", default="drm-demo", show_default=True, metavar="DIR", help="Folder for what the demo leaves.")
@_one_line
def demo(out: str) -> int:
    """Simulate a whole breaker, run the whole job on it, leave record, tables and report."""
    import numpy as np

    from drm.pipeline import diagnose
    from drm.readers import read
    from drm.summary import summary
    from drm.synthetic import named, simulate, write_simulation

    _say("simulating a breaker of twelve interrupters: open, close, open")
    simulation = simulate(named("demo"), rng=np.random.default_rng(20))
    path = write_simulation(simulation, Path(out) / "record")
    _say("reading the record back and diagnosing it")
    result = diagnose(read(path), _breaker(Path(out) / "record" / "breaker.toml"))
    result.save(out)
    click.echo(summary(result))
    click.echo("")
    click.echo("What was simulated, for comparison:")
    for fault, names in sorted(_faults(simulation.truth).items()):
        click.echo(f"  {fault}: {', '.join(names)}")
    click.echo(f"Record, breaker file and truth: {Path(out) / 'record'}")
    click.echo(f"Report: {Path(out) / 'report.html'}")
    return 0


def _faults(truth: Iterable[Any]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for t in truth:
        for fault in t.faults:
            names = found.setdefault(fault, [])
            if t.interrupter not in names:
                names.append(t.interrupter)
    return found


@_group.command()
@_RECORDS
@click.option("--out", metavar="FILE", help="Breaker file to write; standard output where not given.")
@_one_line
def describe(records: tuple[str, ...], out: str | None) -> int:
    """Draft a breaker file from the names, units, fields and signals of a record's channels.

    Lines that need a hand end in a comment that says what is doubtful, why, and what else it may be; how many they are
    is said on standard error.
    """
    from drm.describe import draft
    from drm.readers import read

    drafted = draft([read(r) for r in records])
    if out is None:
        click.echo(drafted.text, nl=False)
        click.echo(f"drm: {drafted.summary}", err=True)
        return 0
    target = Path(out)
    if target.exists():
        raise InputError("the file exists and is not overwritten", path=target, mend="give another name to --out")
    from drm.files import write_text

    write_text(target, drafted.text)
    click.echo(f"drm: {drafted.summary}", err=True)
    click.echo(f"{target}: look at the lines marked doubtful, then run drm diagnose")
    return 0


def _breaker(path: str | os.PathLike[str]) -> Any:
    from drm.breaker import Breaker

    return Breaker.load(path)


@_group.command()
@_RECORDS
@click.option("--breaker", "breaker_file", required=True, metavar="FILE", help="Breaker file (TOML).")
@click.option("--out", required=True, metavar="DIR", help="Folder for tables, findings and report.")
@click.option("--edits", "edits_file", metavar="FILE", help="Edits by hand to apply: edits.jsonl of a reviewed result.")
@click.option("--reference", metavar="DIR", help="Earlier result of the same breaker to compare with.")
@click.option("--population", metavar="FILE", help="Healthy scatter to judge by, such as population.toml of a study.")
@click.option("--together", is_flag=True, help="Read all records as one test of one breaker, into one result.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings document alone.")
@click.option("--fail-on", type=click.Choice(LEVELS), help="Exit with 1 if a finding is at this level or above.")
@_one_line
def diagnose(
    records: tuple[str, ...],
    breaker_file: str,
    out: str,
    edits_file: str | None,
    reference: str | None,
    population: str | None,
    together: bool,
    as_json: bool,
    fail_on: str | None,
) -> int:
    """Judge every interrupter from the recorded operation.

    Several records are each judged on their own, into a folder of --out named for the record, or with --together as
    one test: openings, closings, sequences, motor and static records of one breaker in one result.
    """
    breaker = _breaker(breaker_file)
    _distinct(records)
    if edits_file is not None and len(records) > 1 and not together:
        raise InputError("edits belong to one result", place="--edits", mend="give one record, or --together")
    # Almost all that is made from here on lives until the end: looking through it again and again finds nothing.
    gc.set_threshold(500_000, 20, 20)
    if together:
        results = [(_as_one(records, breaker, edits_file, reference, population), "")]
    else:
        results = _diagnosed(records, breaker, edits_file, reference, population)
    for result, folder in results:
        result.save(Path(out) / folder)
    _print([r for r, _ in results], as_json)
    levels = LEVELS[: LEVELS.index(fail_on) + 1] if fail_on else ()
    return int(any(f.level in levels for r, _ in results for f in r.findings))


def _distinct(records: tuple[str, ...]) -> None:
    stems = [Path(r).stem for r in records]
    for n, stem in enumerate(stems):
        if stem in stems[:n]:
            raise InputError(
                f"two records are called '{stem}' and would share a folder", path=records[n], mend="rename one"
            )


def _population(path: str | None) -> Any:
    """The healthy scatter to judge by: that of a file, or what ships."""
    from drm.siblings_population import load_population
    from drm.siblings_prior import ORIENTATION

    return ORIENTATION if path is None else load_population(path)


def _as_one(
    records: tuple[str, ...], breaker: Any, edits_file: str | None, reference: str | None, population: str | None
) -> Result:
    """All records as one test."""
    from drm.edit_log import edits_for
    from drm.readers import read
    from drm.reference import load_reference
    from drm.together import conclude_all, see_all
    from drm.unneeded import unneeded_later

    earlier = None if reference is None else load_reference(reference)
    healthy = _population(population)
    read_in = [read(r) for r in _along(records, "records")]
    unneeded_later()
    with listening(_say):
        seen = see_all(read_in, breaker)
        edits = () if edits_file is None else edits_for(edits_file, inputs=seen.record.sha256)
        return conclude_all(seen, edits=edits, population=healthy, reference=earlier)


def _diagnosed(
    records: tuple[str, ...], breaker: Any, edits_file: str | None, reference: str | None, population: str | None
) -> list[tuple[Result, str]]:
    """Every record diagnosed before anything is written, so that a bad one leaves nothing by halves."""
    from drm.edit_log import edits_for
    from drm.pipeline import diagnose as judge
    from drm.readers import read
    from drm.reference import load_reference
    from drm.unneeded import unneeded_later

    earlier, healthy = None if reference is None else load_reference(reference), _population(population)
    out: list[tuple[Result, str]] = []
    for path in _along(records, "records"):
        now(f"reading {path}")
        record = read(path)
        # Not before: what cannot be read is refused at once.
        unneeded_later()
        edits = () if edits_file is None else edits_for(edits_file, inputs=record.sha256)
        result = judge(record, breaker, edits=edits, population=healthy, reference=earlier)
        out.append((result, Path(path).stem if len(records) > 1 else ""))
    return out


def _print(results: list[Result], as_json: bool) -> None:
    from drm.save import findings_document
    from drm.summary import summary

    if as_json:
        documents = [findings_document(r) for r in results]
        click.echo(json.dumps(documents[0] if len(documents) == 1 else documents, ensure_ascii=False, indent=1))
        return
    for result in results:
        click.echo(summary(result))


@_group.command()
@click.argument("result", metavar="DIR")
@click.option("--port", default=0, type=click.IntRange(0, 65535), help="Port of the page; any free one if not given.")
@click.option("--record", multiple=True, metavar="FILE", help="Where a record is now, if moved; may be repeated.")
@click.option("--reference", metavar="DIR", help="Where the earlier result compared with is now, if it was moved.")
@click.option("--beside", metavar="DIR", help="A second result to look at side by side, such as an earlier test.")
@click.option("--browser/--no-browser", default=True, help="Whether to open the page in the browser.")
@_one_line
def review(
    result: str, port: int, record: tuple[str, ...], reference: str | None, beside: str | None, browser: bool
) -> int:
    """Decide by hand where the automatic reading is doubtful, on a page of this computer alone.

    DIR is a folder that `drm diagnose` made. Decisions go to the file edits.jsonl in it; the record is never changed.
    """
    from drm.review import serve

    with listening(_say):
        now("reading the record again")
        serve(result, port=port, record=record, reference=reference, beside=beside, browser=browser, say=click.echo)
    return 0


@_group.command()
@click.argument("results", nargs=-1, required=True, metavar="DIR...")
@click.option("--out", required=True, metavar="DIR", help="Folder for table and page.")
@_one_line
def trend(results: tuple[str, ...], out: str) -> int:
    """Follow every figure of one breaker over its tests.

    Each DIR is a folder that `drm diagnose` made. Limits are those of the last test's breaker file.
    """
    from drm.trend import trend as follow

    made = follow(results)
    made.save(out)
    moving = [s for s in made.series if s.line is not None and s.line.moves]
    crossing = [s for s in moving if s.crossing is not None]
    click.echo(
        f"{len(made.tests)} tests from {made.tests[0].date} to {made.tests[-1].date}: "
        f"{len(moving)} of {len(made.series)} figures move, {len(crossing)} towards a limit within the horizon"
    )
    click.echo(f"Page: {Path(out) / 'trend.html'}")
    return 0


@_group.command()
@click.argument("root", metavar="ROOT")
@click.option("--out", required=True, metavar="DIR", help="Folder for tables and report; to go on, the same again.")
@click.option("--scheduler", metavar="ADDR", help="Dask scheduler (tcp://...) whose workers do the work.")
@click.option("--jobs", type=click.IntRange(min=1), help="Processes; as many as processors where not given.")
@click.option("--population", metavar="FILE", help="Healthy scatter to judge by, such as population.toml of a study.")
@_one_line
def study(root: str, out: str, scheduler: str | None, jobs: int | None, population: str | None) -> int:
    """Do the whole job over a tree of records, and leave one table of features for all of them.

    A record belongs to the breaker file of its own name beside it, else to the nearest breaker.toml in its folder or
    above. A record that cannot be used costs one row in the table of failures. Done again is only what changed.
    """
    from drm.study import study as run

    with _to_go() as progress:
        made = run(root, out=out, scheduler=scheduler, jobs=jobs, population=population, progress=progress)
    click.echo(f"{made.records} records, {made.again} of them diagnosed now, {made.failures} failed (table failures)")
    click.echo(f"Report: {made.out / 'report.html'}")
    return 0


@contextmanager
def _to_go() -> Iterator[Callable[[int, int], None] | None]:
    """On a terminal a bar with the time to go, told how many of how many are done."""
    if not sys.stderr.isatty():
        yield None
        return
    from tqdm import tqdm

    with tqdm(unit="record", file=sys.stderr, leave=False, smoothing=0.05) as bar:

        def show(done: int, of: int) -> None:
            bar.total = of
            bar.update(done - bar.n)

        yield show


@_group.command()
@click.argument("scenario", metavar="SCENARIO.toml")
@click.option("--out", required=True, metavar="DIR", help="Folder for record, breaker file and truth.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(min=0), help="Seed of the random numbers.")
@click.option(
    "--format",
    "data_format",
    default="FLOAT32",
    show_default=True,
    type=click.Choice(["ASCII", "BINARY", "BINARY32", "FLOAT32"]),
    help="COMTRADE data format of the record.",
)
@_one_line
def simulate(scenario: str, out: str, seed: int, data_format: str) -> int:
    """Write a synthetic record with its truth."""
    import numpy as np

    from drm.synthetic import load, write_simulation
    from drm.synthetic import simulate as run

    simulation = run(load(scenario), rng=np.random.default_rng(seed))
    path = write_simulation(simulation, out, data_format=data_format)
    click.echo(str(path))
    return 0
