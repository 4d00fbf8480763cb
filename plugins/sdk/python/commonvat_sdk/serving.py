"""Serves a module to its host: the handshake, mutual TLS, the calls, and the end.

The wire is that of go-plugin: one line on standard output with a unix socket and a certificate, then gRPC with a health service and
a few services of the library itself. Their messages are so small that they are written here by hand.
"""

import base64
import datetime
import json
import logging
import os
import signal
import sys
import threading
import traceback
from concurrent import futures

import grpc

from commonvat_sdk import contracts, describe, faults, guard, spans, wire

PROTOCOL_VERSION = 1
MAX_MESSAGE_BYTES = 16 << 20
MAX_HEADER_BYTES = 64 << 10

# Calls that are computed at once; more wait. Python computes one at a time anyway, but each holds its rows in memory.
WORKERS = 16
# Of the health check and the order to end, which must be answered while all workers are busy.
CONTROLLERS = 2
# Stacks count towards a sandbox's limit of memory.
STACK_BYTES = 1 << 20
# How long calls that are under way may go on when the host orders the end.
GRACE_S = 0.25


def serve(module):
    """See commonvat_sdk.serve."""
    try:
        description = module.describe()
        offered = module.methods()
    except describe.Incomplete as e:
        _give_up(f"module is incomplete: {e}")
    if not guard.started_as_module:
        _give_up(f"{module.name} {module.version} is a module of Commonvat (kind {description.kind}): it is started by a host, not by hand.\n"
                 f"Try it on a file of cases:  commonvat module try {os.path.dirname(os.path.abspath(sys.argv[0]))} CASES.jsonl\n"
                 f"Check all of it:            commonvat module check {os.path.dirname(os.path.abspath(sys.argv[0]))}")
    if str(PROTOCOL_VERSION) not in os.environ.get("PLUGIN_PROTOCOL_VERSIONS", str(PROTOCOL_VERSION)).split(","):
        _give_up(f"the host speaks protocol {os.environ['PLUGIN_PROTOCOL_VERSIONS']}, this module {PROTOCOL_VERSION}: upgrade the lower one")
    client = os.environ.get("PLUGIN_CLIENT_CERT", "")
    folder = os.environ.get("PLUGIN_UNIX_SOCKET_DIR", "")
    if not client or not folder:
        _give_up("the host gives no certificate or no folder for the socket: modules in Python are served by mutual TLS on a unix socket alone")
    _hold_lifeline()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a terminal's interrupt is the host's to handle
    logging.basicConfig(level=logging.INFO, handlers=[LogHandler()], force=True)
    threading.stack_size(STACK_BYTES)

    ended = threading.Event()
    server = grpc.server(
        futures.ThreadPoolExecutor(WORKERS, "call"),
        handlers=[Handlers(module, description, offered, ended)],
        options=[
            ("grpc.max_receive_message_length", MAX_MESSAGE_BYTES),
            ("grpc.max_send_message_length", MAX_MESSAGE_BYTES),
            ("grpc.max_metadata_size", MAX_HEADER_BYTES),
            ("grpc.so_reuseport", 0),
        ])
    key, certificate, der = make_certificate()
    path = os.path.join(folder, f"plugin{os.getpid()}")
    server.add_secure_port("unix:" + path, grpc.ssl_server_credentials([(key, certificate)], client.encode(), require_client_auth=True))
    server.start()
    line = f"1|{PROTOCOL_VERSION}|unix|{path}|grpc|{base64.b64encode(der).rstrip(b'=').decode()}\n"
    os.write(guard.handshake_fd, line.encode())

    ended.wait()
    server.stop(GRACE_S).wait()
    if os.path.exists(path):
        os.unlink(path)
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(0)  # without waiting for threads that the author's code began


def _give_up(text):
    print(text, file=sys.stderr, flush=True)
    os._exit(2)


def make_certificate():
    """A key and a certificate for this process alone: PEM, PEM, and the certificate's DER."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, "localhost")])
    now = datetime.datetime.now(datetime.timezone.utc)
    use = dict.fromkeys(("content_commitment", "data_encipherment", "crl_sign", "encipher_only", "decipher_only"), False)
    use.update(digital_signature=True, key_encipherment=True, key_agreement=True, key_cert_sign=True)
    certificate = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(seconds=30)).not_valid_after(now + datetime.timedelta(days=3650))
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(**use), critical=True)
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .sign(key, hashes.SHA256()))
    private = key.private_bytes(serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption())
    return private, certificate.public_bytes(serialization.Encoding.PEM), certificate.public_bytes(serialization.Encoding.DER)


def _hold_lifeline():
    """Ends the process when the host's end of the lifeline closes. Without the variable it does nothing."""
    text = os.environ.get("COMMONVAT_LIFELINE_FD", "")
    if not text:
        return
    try:
        fd = int(text)
        os.fstat(fd)
    except (ValueError, OSError) as e:
        _give_up(f"lifeline on descriptor {text!r}: {e}")
    os.set_inheritable(fd, False)

    def hold():
        while os.read(fd, 1):
            pass  # bytes mean nothing; only the end counts
        os._exit(0)

    threading.Thread(target=hold, name="lifeline", daemon=True).start()


class LogHandler(logging.Handler):
    """Writes JSON lines on standard error that the host takes apart again."""

    def emit(self, record):
        """Writes one record."""
        level = {"WARNING": "warn", "CRITICAL": "error"}.get(record.levelname, record.levelname.lower())
        line = {"@timestamp": datetime.datetime.now(datetime.timezone.utc).isoformat(timespec="microseconds"), "@level": level, "@message": record.getMessage()}
        line.update(getattr(record, "fields", {}))
        print(json.dumps(line), file=sys.stderr, flush=True)


class Call:
    """One call, as the module's code sees it."""

    def __init__(self, context):
        self._context = context

    def check(self):
        """Raises Cancelled when the caller went away or its deadline passed."""
        if not self._context.is_active():
            raise faults.Cancelled("the call has ended")


class Handlers(grpc.GenericRpcHandler):
    """All methods of the process."""

    def __init__(self, module, description, offered, ended):
        self._module = module
        encoded = description.SerializeToString(deterministic=True)
        controllers = futures.ThreadPoolExecutor(CONTROLLERS, "control")

        def end(_, __):
            ended.set()
            return b""

        def health(request, context):
            if request not in (b"", b"\n\x06plugin"):  # HealthCheckRequest: field 1, the service
                context.abort(grpc.StatusCode.NOT_FOUND, "unknown service")
            return b"\x08\x01"  # HealthCheckResponse: field 1, SERVING

        def describe_itself(_, __):
            return encoded

        for control in (end, health, describe_itself):
            # So that it doesn't wait for a worker; where grpcio doesn't know the name, it does.
            control.experimental_thread_pool = controllers
        unary, stream = grpc.unary_unary_rpc_method_handler, grpc.stream_stream_rpc_method_handler
        self._methods = {
            "/grpc.health.v1.Health/Check": unary(health),
            "/plugin.GRPCController/Shutdown": unary(end),
            # What the module prints goes to standard error, so there is nothing to send; and it calls nothing back.
            "/plugin.GRPCStdio/StreamStdio": grpc.unary_stream_rpc_method_handler(lambda _, __: iter(())),
            "/plugin.GRPCBroker/StartStream": stream(lambda _, __: iter(())),
            "/commonvat.module.describe.v1.DescribeService/Describe": unary(describe_itself),
        }
        for name, (request, answer) in offered["unary"].items():
            self._methods[name] = unary(self._unary(name, request, answer))
        for name, (request, answer) in offered["stream"].items():
            self._methods[name] = stream(self._stream(name, request, answer))

    def service(self, handler_call_details):
        """The handler of a method, None for one that isn't served."""
        return self._methods.get(handler_call_details.method)

    def _unary(self, name, request, answer):
        def handle(raw, context):
            span = spans.begin(name, self._module, context)
            try:
                out = answer(contracts.parse(request, raw), Call(context)).SerializeToString(deterministic=True)
            except BaseException as e:  # also SystemExit: what an author's code does must not end the process
                fault = e
            else:
                context.set_trailing_metadata(span("OK"))
                return out
            return self._end(context, name, fault, span)

        return handle

    def _stream(self, name, request, answer):
        def handle(raws, context):
            span = spans.begin(name, self._module, context)
            try:
                for out in answer((contracts.parse(request, raw) for raw in raws), Call(context)):
                    yield out.SerializeToString(deterministic=True)
            except GeneratorExit:  # nobody wants further answers
                raise
            except BaseException as e:
                fault = e
            else:
                context.set_trailing_metadata(span("OK"))
                return
            self._end(context, name, fault, span)

        return handle

    def _end(self, context, name, fault, span):
        """Ends a call with the status of what went wrong: it raises what grpc raises."""
        code, text, details = grpc.StatusCode.INTERNAL, "", ()
        if isinstance(fault, (grpc.RpcError, faults.Cancelled)) or not context.is_active():
            code, text = grpc.StatusCode.CANCELLED, "the call has ended"
        elif isinstance(fault, faults.Refused):
            code = grpc.StatusCode.RESOURCE_EXHAUSTED if fault.too_much else grpc.StatusCode.INVALID_ARGUMENT
            text = faults.clip(str(fault), 1000)
            details = (("grpc-status-details-bin", wire.refusal(code.value[0], text, fault.violations)),)
        else:
            cause = fault.__cause__ or fault
            logging.error("exception in a call", extra={"fields": {
                "method": name, "exception": repr(cause), "stack": "".join(traceback.format_exception(type(cause), cause, cause.__traceback__))}})
            said = str(fault) if isinstance(fault, faults.ModuleFault) else f"failed: {type(fault).__name__}: {fault}"
            text = f"module {self._module.name}: {faults.clip(said, 512)}"
        context.set_trailing_metadata((*details, *span(code.name)))
        context.abort(code, text)
