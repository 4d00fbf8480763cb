"""Write a calculation module of Commonvat in Python.

A module is one calculation step in a process of its own. An author writes one function for each score of a palette, or one for a
difference of two colours; this package serves the contract around it. It works with grpcio 1.51, protobuf 3.21 and later, needs
cryptography for the certificate of its socket, and hands colours over as numpy arrays when the module itself imports numpy.

Import this package before anything that might print: from its first line on standard output belongs to the host alone.

    import commonvat_sdk
    from commonvat_sdk import Method, score

    @score("lightness_range", "Lightest less darkest cell.", unit="CIELAB units", higher_is_wider=True, least_cells=2)
    def lightness_range(group):
        return max(group.l) - min(group.l)

    METHOD = Method(name="palette-reach", version="0.1.0", author="...", summary="...", scores=[lightness_range])

    if __name__ == "__main__":
        commonvat_sdk.serve(METHOD)
"""

# First of all: see the module's text.
from commonvat_sdk import guard  # noqa: I001

from commonvat_sdk.describe import Choice, LawException, LawPromise, Number, Source
from commonvat_sdk.faults import Cancelled, NotComputed, TooMuch
from commonvat_sdk.formula import Colour, Factors, Formula
from commonvat_sdk.making import make_group
from commonvat_sdk.palette import Group, Method, Spectrum, score


def serve(module):
    """Serves a Method or a Formula until its host lets it go. It never returns.

    The process ends with status 0 when its host closes it or goes away, and with status 2 and a message on standard error when the
    module is incomplete or was started by hand.
    """
    from commonvat_sdk import serving  # grpc is loaded by those that serve alone

    serving.serve(module)


__all__ = [
    "Cancelled", "Choice", "Colour", "Factors", "Formula", "Group", "LawException", "LawPromise", "Method", "NotComputed", "Number",
    "Source", "Spectrum", "TooMuch", "guard", "make_group", "score", "serve",
]
