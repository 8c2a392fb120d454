"""The parts of a run file that are JSON: what is neither an array nor one plain text.

Owns each field's name and type. Writing and reading turn every field into its type (``float(…)``, ``str(…)``); since a
reader compares what it read with what it would write, a field of another type cannot pass.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

from chargebench.bounded import JsonObject
from chargebench.runs.run import Gap, InstrumentRecord, Knowledge, Known, Mark, Run, TagValue

__all__ = ["knowledge_text", "read_knowledge", "read_record", "read_values", "record_text", "values_text"]


def _text(value: object) -> str:
    """ASCII JSON, so that any text survives. A number that is not finite, which no check lets in, survives as well."""
    return json.dumps(value, indent=1)


def _values(values: Mapping[str, Any]) -> dict[str, TagValue]:
    return {str(key): value if isinstance(value, str) else float(value) for key, value in values.items()}


def values_text(values: Mapping[str, TagValue]) -> str:
    """Tags as JSON."""
    return _text(_values(values))


def read_values(text: str) -> dict[str, TagValue]:
    """Tags from JSON; errors as `read_record`."""
    return _values(json.loads(text))


def knowledge_text(knowledge: Knowledge) -> str:
    """Knowledge as JSON. Infinite degrees of freedom, the usual case, are null: JSON has no infinity."""
    return _text(
        {
            key: {
                "value": float(known.value),
                "u": float(known.u),
                "dof": None if known.dof == math.inf else float(known.dof),
                "source": known.source,
                "date": known.date,
                "until": known.until,
            }
            for key, known in knowledge.known.items()
        }
    )


def read_knowledge(text: str) -> Knowledge:
    """Knowledge from JSON; errors as `read_record`."""
    return Knowledge(
        MappingProxyType(
            {
                key: Known(
                    value=float(known["value"]),
                    u=float(known["u"]),
                    dof=math.inf if known["dof"] is None else float(known["dof"]),
                    source=str(known["source"]),
                    date=str(known["date"]),
                    until=str(known["until"]),
                )
                for key, known in json.loads(text).items()
            }
        )
    )


def record_text(run: Run) -> str:
    """Everything else of a run as JSON."""
    return _text(
        {
            "run_id": run.run_id,
            "started": run.started,
            "origin": run.origin,
            "recovered": bool(run.recovered),
            "clock": _values(run.clock),
            "versions": {key: str(version) for key, version in run.versions.items()},
            "channels": list(run.traces),
            "instruments": {key: _instrument(record) for key, record in run.instruments.items()},
            "marks": [{"time_s": float(m.time_s), "kind": m.kind, "text": m.text} for m in run.marks],
            "gaps": [
                {"instrument": g.instrument, "start_s": float(g.start_s), "end_s": float(g.end_s), "reason": g.reason}
                for g in run.gaps
            ],
        }
    )


def _instrument(record: InstrumentRecord) -> JsonObject:
    return {
        "name": record.name,
        "port": record.port,
        "lines": record.lines,
        "carries": list(record.carries),
        "identity": record.identity,
        "lines_read": int(record.lines_read),
        "rejects": {reason: int(count) for reason, count in record.rejects.items()},
    }


def read_record(text: str) -> tuple[JsonObject, list[str]]:
    """Arguments of `Run` that the record holds, and the channels in order.

    Raises
    ------
    ValueError, KeyError, TypeError, AttributeError, OverflowError, RecursionError
        When the text is no JSON or a field is missing or has another type.
    """
    found = json.loads(text)
    arguments = {
        "run_id": str(found["run_id"]),
        "started": str(found["started"]),
        "origin": str(found["origin"]),
        "recovered": bool(found["recovered"]),
        "clock": _values(found["clock"]),
        "versions": {key: str(version) for key, version in found["versions"].items()},
        "instruments": {key: _read_instrument(record) for key, record in found["instruments"].items()},
        "marks": tuple(Mark(float(m["time_s"]), str(m["kind"]), str(m["text"])) for m in found["marks"]),
        "gaps": tuple(
            Gap(str(g["instrument"]), float(g["start_s"]), float(g["end_s"]), str(g["reason"])) for g in found["gaps"]
        ),
    }
    return arguments, [str(channel) for channel in found["channels"]]


def _read_instrument(found: Mapping[str, Any]) -> InstrumentRecord:
    return InstrumentRecord(
        name=str(found["name"]),
        port=str(found["port"]),
        lines=str(found["lines"]),
        carries=tuple(str(channel) for channel in found["carries"]),
        identity=str(found["identity"]),
        lines_read=int(found["lines_read"]),
        rejects={reason: int(count) for reason, count in found["rejects"].items()},
    )
