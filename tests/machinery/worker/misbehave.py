"""A job that does what broken decoders do; only the tests' pools know it."""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, BinaryIO

from ingest.errors import Unreadable


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:
    match args["do"]:
        case "read":
            return {"read": [f.read(100).decode("latin-1") for f in files], "pid": os.getpid()}
        case "write":
            files[0].write(args["text"].encode())
            return {}
        case "die":
            os.kill(os.getpid(), getattr(signal, args["signal"]))
        case "exit":
            os._exit(7)
        case "sleep":
            progress(0.25)
            time.sleep(args["s"])
        case "spin":
            while True:
                pass
        case "bomb":
            return {"held": len(bytearray(args["bytes"]))}
        case "garbage":
            for fd in range(3, 64):
                try:
                    os.write(fd, args["bytes"].encode("latin-1"))
                except OSError:
                    continue
            time.sleep(5)
        case "nan":
            return {"value": float("nan")}
        case "long":
            return {"value": "x" * args["bytes"]}
        case "raise":
            raise {"value": ValueError, "os": OSError, "key": KeyError}[args["error"]](*args.get("with", ["no\nuse"]))
        case "refuse":
            raise Unreadable("no picture in it.", next="Look at it.")
        case "recurse":
            def deeper(n: int) -> int:
                return deeper(n + 1) + 1

            deeper(0)
        case "limits":
            import resource
            import socket

            try:
                socket.create_connection(("127.0.0.1", args["port"]), timeout=1).close()
                reached = True
            except OSError:
                reached = False
            return {
                "as": resource.getrlimit(resource.RLIMIT_AS)[1],
                "core": resource.getrlimit(resource.RLIMIT_CORE)[1],
                "nice": os.nice(0),
                "reached": reached,
                "environment": sorted(os.environ),
                "open": sorted(int(f.name) for f in Path("/proc/self/fd").iterdir()),
            }
    return {}
