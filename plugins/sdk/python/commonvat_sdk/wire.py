"""Writes the few protobuf messages that are no contract of ours: refusals and spans."""


def content(number, data):
    """A field with a length: bytes, text or a message."""
    data = data.encode() if isinstance(data, str) else data
    head, size = bytearray([number << 3 | 2]), len(data)
    while size > 127:
        head.append(size & 127 | 128)
        size >>= 7
    head.append(size)
    return bytes(head) + data


def small(number, value):
    """A field with a number of 0 to 127."""
    return bytes([number << 3, value])


def fixed64(number, value):
    """A field with a number of eight bytes."""
    return bytes([number << 3 | 1]) + value.to_bytes(8, "little")


def refusal(code, text, violations):
    """A google.rpc.Status with a google.rpc.BadRequest, as the trailer grpc-status-details-bin carries it."""
    bad = b"".join(content(1, content(1, field) + content(2, description)) for field, description in violations)
    detail = content(1, "type.googleapis.com/google.rpc.BadRequest") + content(2, bad)
    return small(1, code) + content(2, text) + content(3, detail)
