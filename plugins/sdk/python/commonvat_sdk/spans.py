"""Returns the span of a sampled call in its trailer: a module has no network and exports nothing."""

import re
import secrets
import time

from commonvat_sdk import wire

TRAILER = "commonvat-spans-bin"
# W3C Trace Context, section 3.2: version, trace id, parent id, flags, of which bit 0 says that the trace is sampled.
_TRACEPARENT = re.compile(r"00-([0-9a-f]{32})-([0-9a-f]{16})-([0-9a-f]{2})")


def begin(method, module, context):
    """Begins the span of a call; the answer gives the call's trailer, empty when its trace is not sampled."""
    parent = next((v for k, v in context.invocation_metadata() if k == "traceparent"), "")
    found = _TRACEPARENT.fullmatch(parent) if isinstance(parent, str) else None
    if not found or not int(found[3], 16) & 1:
        return lambda _: ()
    began = time.time_ns()

    def finish(status):
        return ((TRAILER, _encoded(method[1:], module, found, began, time.time_ns(), status)),)

    return finish


def _encoded(method, module, parent, began, ended, status):
    """An opentelemetry.proto.trace.v1.TracesData with one span. status is the name of a gRPC status."""
    def text(key, value):
        return wire.content(1, key) + wire.content(2, wire.content(1, value))

    attributes = (text("rpc.system.name", "grpc"), text("rpc.method", method), text("rpc.response.status_code", status))
    span = (wire.content(1, bytes.fromhex(parent[1])) + wire.content(2, secrets.token_bytes(8)) + wire.content(4, bytes.fromhex(parent[2]))
            + wire.content(5, method) + wire.small(6, 2)  # SPAN_KIND_SERVER
            + wire.fixed64(7, began) + wire.fixed64(8, ended) + b"".join(wire.content(9, a) for a in attributes))
    if status != "OK":
        span += wire.content(15, wire.content(2, status) + wire.small(3, 2))  # STATUS_CODE_ERROR
    resource = wire.content(1, text("service.name", "commonvat-module-" + module.name)) + wire.content(1, text("service.version", module.version))
    scope = wire.content(1, wire.content(1, "commonvat_sdk")) + wire.content(2, span)
    return wire.content(1, wire.content(1, resource) + wire.content(2, scope))
