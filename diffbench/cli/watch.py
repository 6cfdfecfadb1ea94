"""``diffbench watch``: recordings looked at and fitted while the bench runs."""

from __future__ import annotations

import signal
import sys
import time
from pathlib import Path
from types import FrameType

import click

from diffbench.cli.options import PATH, json_option, quiet_option
from diffbench.cli.terminal import Progress, print_json, print_text


@click.command(epilog="Example: diffbench watch visits/today --out today-result")
@click.argument("folder", type=click.Path(path_type=Path, exists=True, file_okay=False))
@click.option("--out", type=PATH, required=True, help="Folder for the results; made if it is not there.")
@click.option(
    "--every", type=click.FloatRange(0.05, 3600.0), default=2.0, metavar="SECONDS",
    help="How often to look; 2 if not given.",
)  # fmt: skip
@click.option(
    "--settle", type=click.FloatRange(0.1, 3600.0), default=10.0, metavar="SECONDS",
    help="A recording that is unchanged for so long counts as complete; 10 if not given.",
)  # fmt: skip
@json_option("Print what happens as JSON, one object a line.")
@quiet_option("Faults and results only.")
def watch(folder: Path, out: Path, every: float, settle: float, as_json: bool, quiet: bool) -> None:
    """Watch a folder while the bench runs: look at each recording as it grows, fit what is complete.

    FOLDER holds a run sheet, or several, that name the recordings to come. Results go to --out anew each time
    that one more recording is complete; report.html loads itself again as long as the watch goes on. Ctrl-C
    ends it, with exit status 0; the last result stays.
    """
    from diffbench.documents import run_sheets_in
    from diffbench.run.watch import Event, Watch

    if not folder.is_dir():
        raise click.BadParameter(f"'{folder}' is no folder.", param_hint="FOLDER")
    signal.signal(signal.SIGTERM, _end)

    def tell(event: Event) -> None:
        if as_json:
            print_json({"kind": event.kind, "file": event.file, "text": event.text})
        elif not quiet or event.kind in {"fitted", "fault"}:
            name = Path(event.file).name if event.kind in {"recording", "paper"} else event.file
            text = event.text if event.text.startswith(event.file) else f"{name}: {event.text}"
            print_text(f"{time.strftime('%H:%M:%S')}  {text}")
        sys.stdout.flush()

    with Progress(enabled=not (quiet or as_json) and sys.stderr.isatty()) as say:
        watching = Watch(
            folder, out, sheets=run_sheets_in, settle=settle, refresh=max(5, round(2 * every)), progress=say
        )
        try:
            while True:
                for event in watching.look(time.monotonic()):
                    say.clear()
                    tell(event)
                time.sleep(every)
        except KeyboardInterrupt:
            say.clear()
        finally:
            watching.close()
    if not (as_json or quiet):
        pages = ", ".join(str(page) for page in watching.pages)
        print_text(f"Ended. {'The last result stands in ' + pages if pages else 'Nothing was fitted'}.")


def _end(number: int, frame: FrameType | None) -> None:
    """A polite request to end is taken as Ctrl-C is."""
    del number, frame
    raise KeyboardInterrupt
