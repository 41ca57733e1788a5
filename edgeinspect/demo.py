"""The demo: the repository's sample pictures go through a real station, as if a camera took one every few seconds.

Nothing is prepared beforehand: it calibrates, and then puts one picture after the other into the inbox.
"""

from __future__ import annotations

import json
import logging
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from edgeinspect.errors import EdgeinspectError, InputError
from edgeinspect.inspection import Expected
from edgeinspect.station.calibrations import Progress, calibrate_folder
from edgeinspect.station.calibrations_in_use import keep_new
from edgeinspect.station.config import Station, load_station
from edgeinspect.station.intake import receive_upload
from edgeinspect.station.run import time_of_day
from edgeinspect.store.inspections import Row, Store
from edgeinspect.store.state import State

PATIENCE_S = 120.0  # for one answer; a slow computer needs a few seconds
log = logging.getLogger("edgeinspect.demo")


@dataclass(frozen=True)
class Demo:
    samples: Path  # sample_images/ of the repository
    data: Path
    station_file: Path
    station: Station

    @staticmethod
    def prepare(data: Path | None) -> Demo:
        """Find the samples; ``data`` must be new or empty, None takes a temporary folder. Raises InputError."""
        beside = Path(__file__).resolve().parents[1] / "sample_images"
        samples = beside if beside.is_dir() else Path("sample_images")
        if not (samples / "station.toml").is_file():
            raise InputError("sample_images is not there: run the demo from a clone of the repository")
        if data is None:
            data = Path(tempfile.mkdtemp(prefix="edgeinspect-demo-"))
        try:
            data.mkdir(parents=True, exist_ok=True)
            used = any(data.iterdir())
        except OSError as error:
            raise InputError(f"{data} cannot be used as a folder: {error.strerror or error}") from error
        if used:
            raise InputError(f"{data} is not empty, must be a new or empty folder: the demo starts afresh")
        station_file = samples / "station.toml"
        return Demo(samples, data, station_file, load_station(station_file))

    def calibrate(self, progress: Progress) -> list[str]:
        """Calibrate every camera from the sample pictures of the board; the report in words."""
        report = []
        for camera in self.station.cameras:
            own = self.samples / "calibration" / camera.name
            folder = own if own.is_dir() else own.parent  # the first camera's lie in calibration/ itself
            calibration, lines = calibrate_folder(folder, self.station, camera.name, time_of_day(), progress)
            with Store.open(self.data) as store:
                keep_new(self.station, self.data, store, calibration, "the demo")
            report += lines
        return report

    def feed(self, every_s: float, tell: Callable[[Row | None], None]) -> None:
        """Begin, in the background, to put in shell after shell; ``tell`` hears each answer, and None at the end."""
        threading.Thread(target=self._feed, args=(every_s, tell), daemon=True).start()

    def _feed(self, every_s: float, tell: Callable[[Row | None], None]) -> None:
        try:
            with Store.open(self.data, read_only=True) as store, State.open(self.data) as state:
                for shell_id, pictures, expected in self._shells():
                    begun_s = time.monotonic()
                    state.expect(expected, time_of_day(), "the demo")
                    for path in pictures:
                        _, _, camera = path.name.partition("_")
                        receive_upload(self.station, self.data, f"{shell_id}_{camera}", path.read_bytes())
                    tell(_answer(store, shell_id))
                    time.sleep(max(0.0, begun_s + every_s - time.monotonic()))
            tell(None)
        except (EdgeinspectError, OSError) as error:
            log.error("the demo puts in no more pictures: %s", error)

    def _shells(self) -> Iterator[tuple[str, list[Path], Expected]]:
        """Shell id, pictures, and what the station is set to for each; the temperature came with the pictures.

        Another shell than the one before is a changeover. ``picture_of``: the pictures of an earlier shell come again.
        """
        known = {camera.name for camera in self.station.cameras}
        truth = json.loads((self.samples / "truth.json").read_text(encoding="utf-8"))["shells"]
        for shell_id, told in sorted(truth.items()):
            asked = told["expected"]
            expected = Expected(
                asked.get("shell", "toplid"), asked.get("variant", "standard"), told.get("temperature_c")
            )
            pictures = sorted((self.samples / "shells").glob(f"{told.get('picture_of', shell_id)}_*"))
            pictures = [path for path in pictures if path.stem.partition("_")[2] in known]
            if pictures and expected.shell in self.station.seatings:
                yield shell_id, pictures, expected


def _answer(store: Store, shell_id: str) -> Row:
    """Wait for the record of a shell that is in nobody's record yet. Raises InputError if it does not come."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        if found := store.attempts(shell_id):
            return found[-1]
        time.sleep(0.1)
    raise InputError(f"no answer for shell {shell_id} within {PATIENCE_S:g} s: see worker.log in the data folder")
