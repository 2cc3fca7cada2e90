"""A result on disk: tables, findings and report, whole or not at all."""

from __future__ import annotations

import json
import math
import os
import shutil
import tempfile
import time
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from drm.edit_log import LOG_NAME, append, read_log
from drm.errors import OutputError
from drm.move_in import PART, finish, put_in_place
from drm.origin import SOURCE_NAME, source_document

if TYPE_CHECKING:
    import pandas as pd

    from drm.edits import Edit
    from drm.pipeline import Result

__all__ = ["findings_document", "save", "written_whole"]

SCHEMA = 1
#: A half-written result that nobody has touched for so long belongs to a run that was killed, s.
LEFT_BEHIND_S = 600.0
#: Longest unit suffix first, so that `_uohm_mm` is not taken for `_mm`.
_UNITS = (
    ("_uohm_mm", "uOhm mm"),
    ("_uohm", "uOhm"),
    ("_m_s", "m/s"),
    ("_ms", "ms"),
    ("_mm", "mm"),
    ("_ohm", "ohm"),
    ("_percent", "%"),
    ("_j", "J"),
    ("_a", "A"),
    ("_v", "V"),
    ("_s", "s"),
)
_FORMULA = ("=", "+", "-", "@")


def save(result: Result, folder: str | os.PathLike[str]) -> None:
    """Write ``features``, ``mechanisms``, ``findings.json``, ``source.json`` and ``report.html`` into `folder`.

    Everything is written beside the folder first and moved in when all of it is there; other files in the folder stay.
    Edits by hand are added to the folder's log before that.

    Raises
    ------
    OutputError
        If the folder cannot be written, or holds edits by hand that this result does not have; what stood there before
        is still there.
    """
    from drm.report import render

    new_edits = _edits_beyond_the_log(result, Path(folder))
    with written_whole(folder) as part:
        tables = {"features": result.features, "mechanisms": result.mechanisms}
        more = {"timing": result.timing, "travel": result.curves, "static": result.static, "pick_up": result.pick_up}
        more |= {"motors": result.motors, "repeatability": result.repeats, "changes": result.changes}
        for name, table in (tables | {k: v for k, v in more.items() if v is not None}).items():
            _parquet(table, part / f"{name}.parquet", result.provenance)
            _guarded(table).to_csv(part / f"{name}.csv", index=False, encoding="utf-8", float_format="%.9g")
        text = json.dumps(findings_document(result), ensure_ascii=False, indent=1, allow_nan=False)
        (part / "findings.json").write_text(text + "\n", encoding="utf-8")
        (part / "report.html").write_text(render(result), encoding="utf-8")
        source = source_document(result, folder)
        (part / SOURCE_NAME).write_text(json.dumps(source, ensure_ascii=False, indent=1) + "\n", encoding="utf-8")
        if new_edits:
            seen = len(result.edits) - len(new_edits)
            append(Path(folder) / LOG_NAME, new_edits, inputs=result.record.sha256, seen=seen)


def _edits_beyond_the_log(result: Result, folder: Path) -> tuple[Edit, ...]:
    """Edits of the result that the folder's log does not hold yet."""
    kept = read_log(folder / LOG_NAME).edits
    # By their words: two missing numbers are not equal.
    if [repr(e) for e in kept] != [repr(e) for e in result.edits[: len(kept)]]:
        raise OutputError(
            f"the folder holds {len(kept)} edits by hand that this result does not have",
            path=folder / LOG_NAME,
            mend="give another folder, or diagnose with --edits and this file",
        )
    return result.edits[len(kept) :]


class written_whole:
    """A folder to write into, whose files appear in `folder` together when the block ends without an error.

    A run that is killed leaves the earlier files or, once the block has ended, the new ones; see :mod:`drm.move_in`.
    """

    def __init__(self, folder: str | os.PathLike[str]) -> None:
        self.folder = Path(folder)

    def __enter__(self) -> Path:
        try:
            self.folder.mkdir(parents=True, exist_ok=True)
            finish(self.folder)
            self._sweep()
            self.part = Path(tempfile.mkdtemp(prefix=PART, dir=self.folder))
        except OSError as error:
            raise self._refused(error) from None
        return self.part

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: object) -> None:
        try:
            if kind is None:
                put_in_place(self.part, self.folder)
        except OSError as failed:
            raise self._refused(failed) from None
        finally:
            shutil.rmtree(self.part, ignore_errors=True)
        if isinstance(error, OSError):
            raise self._refused(error) from None

    def _sweep(self) -> None:
        """What a run that was killed left behind; a folder that may still be written into stays."""
        for left in self.folder.glob(f"{PART}*"):
            if left.is_dir() and not left.is_symlink() and time.time() - left.stat().st_mtime > LEFT_BEHIND_S:
                shutil.rmtree(left, ignore_errors=True)

    def _refused(self, error: OSError) -> OutputError:
        return OutputError(
            f"cannot be written ({error.strerror or error})", path=self.folder, mend="give another folder to --out"
        )


def findings_document(result: Result) -> dict[str, Any]:
    """The findings as plain data: ``{"schema", "record", "provenance", "findings"}``; a missing number is None."""
    document: dict[str, Any] = _plain(
        {
            "schema": SCHEMA,
            "record": result.record.name,
            "provenance": result.provenance,
            "findings": [asdict(f) for f in result.findings],
        }
    )
    return document


def _plain(value: Any) -> Any:
    """Only what JSON has: numpy scalars and tuples unwrapped, NaN and infinities as None."""
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple, set)):
        return [_plain(v) for v in value]
    if hasattr(value, "tolist"):
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    return str(value)


def _guarded(table: pd.DataFrame) -> pd.DataFrame:
    """A copy whose text cannot be taken for a formula by a spreadsheet."""
    out = table.copy()
    for name in out.columns:
        if out[name].dtype.kind not in "fiub":
            given = out[name].tolist()
            kept = [_harmless(v) if isinstance(v, str) else v for v in given]
            # A column put back is made anew, which is seldom needed.
            if any(new is not old for new, old in zip(kept, given, strict=True)):
                out[name] = kept
    return out


def _harmless(text: str) -> str:
    """Text that stays in its cell and is no formula: control characters as spaces, an apostrophe before an operator."""
    flat = text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)
    return f"'{flat}" if flat.lstrip().startswith(_FORMULA) else flat


def _unit(column: str) -> str:
    base = column.removesuffix("_u")
    return next((unit for suffix, unit in _UNITS if base.endswith(suffix)), "")


def _parquet(table: pd.DataFrame, path: Path, provenance: Mapping[str, Any]) -> None:
    """One Parquet file with unit and meaning in each field's metadata and the provenance under the key ``drm``."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from drm.features.registry import FEATURES

    meaning = {f.name: f.meaning for f in FEATURES}
    arrow = pa.Table.from_pandas(table, preserve_index=False)
    fields = []
    for field in arrow.schema:
        base = field.name.removesuffix("_u")
        long_name = meaning.get(base, base.replace("_", " "))
        if field.name.endswith("_u"):
            long_name = f"standard uncertainty (k = 1) of: {long_name}"
        fields.append(field.with_metadata({"unit": _unit(field.name), "long_name": long_name}))
    about = json.dumps(_plain({"schema": SCHEMA, "provenance": provenance}), ensure_ascii=False)
    pq.write_table(arrow.cast(pa.schema(fields)).replace_schema_metadata({"drm": about}), path)
