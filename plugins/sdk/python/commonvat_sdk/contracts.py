"""The messages of the contracts, made from contracts.binpb, a FileDescriptorSet that `make generate` writes from the .proto files.

No generated Python is needed, which would be bound to one version of protobuf.
"""

import functools
import os

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory

from commonvat_sdk import faults

_pool = descriptor_pool.DescriptorPool()
with open(os.path.join(os.path.dirname(os.path.abspath(__file__)), "contracts.binpb"), "rb") as _file:
    for _proto in descriptor_pb2.FileDescriptorSet.FromString(_file.read()).file:
        _pool.AddSerializedFile(_proto.SerializeToString())

if hasattr(message_factory, "GetMessageClass"):
    _class_of = message_factory.GetMessageClass
else:  # before protobuf 4.22
    _class_of = message_factory.MessageFactory(_pool).GetPrototype


@functools.cache
def message(name):
    """The class of a message, by its full name."""
    return _class_of(_pool.FindMessageTypeByName(name))


def parse(message_class, raw):
    """The message in raw bytes. Raises Refused."""
    m = message_class()
    try:
        # protobuf 3.21 in C++ only warns of bytes that end too early, with the tag of the end of a group, and keeps the half that it read.
        whole = m.MergeFromString(raw) == len(raw)
    except Exception:  # DecodeError of one of several implementations
        whole = False
    if not whole:
        raise faults.Refused([("message", f"of {len(raw)} bytes can't be read as {message_class.DESCRIPTOR.full_name}")])
    return m


@functools.cache
def enum(name):
    """The numbers of an enum's values by their names."""
    return {v.name: v.number for v in _pool.FindEnumTypeByName(name).values}


# The words of a condition that are allowed; 0 is "not stated" in both.
_types = "commonvat.types.v1."
ILLUMINANTS = {n: w for w, n in enum(_types + "Illuminant").items() if n}
OBSERVERS = {n: w for w, n in enum(_types + "Observer").items() if n}


def check_condition(violations, field, request):
    """Notes what is missing or unknown in the condition of a request or header; field is its path."""
    if not request.HasField("condition"):
        violations.add(field, "is missing, want an illuminant and an observer")
        return
    for name, words in (("illuminant", ILLUMINANTS), ("observer", OBSERVERS)):
        number = getattr(request.condition, name)
        if number not in words:
            violations.add(f"{field}.{name}", f"is {number}, want {' or '.join(words.values())}")
