package sdk

import "github.com/hashicorp/go-plugin"

// The handshake between host and module. The cookie only tells a module that it was started by a host and not by hand;
// it protects nothing.
const (
	// CookieKey is the environment variable that tells a process that it was started as a module.
	CookieKey = "COMMONVAT_MODULE"
	// CookieValue is the value of CookieKey.
	CookieValue = "d3a1f0c27be94586"
	// ProtocolVersion changes only when the wire between host and module breaks for every kind at once; contracts of a
	// kind have versions of their own, named in Describe.
	ProtocolVersion = 1

	// LifelineEnv names the file descriptor of the lifeline, always "3" today. The host holds the other end of that pipe
	// and never writes: end of file means that the host is gone and the module must exit. A module that finds the
	// variable unset has no lifeline.
	LifelineEnv = "COMMONVAT_LIFELINE_FD"

	// MaxMessageBytes is the largest single message in either direction. Larger inputs go by streaming, in chunks of
	// 1 MiB or less.
	MaxMessageBytes = 16 << 20

	// MaxHeaderBytes bounds headers and trailers in either direction: status details and spans together go beyond the
	// 8 KiB that gRPC libraries are moving to.
	MaxHeaderBytes = 64 << 10

	// ExecutablePrefix begins the file name of every module's executable; the module's name follows.
	ExecutablePrefix = "commonvat-module-"

	// SpansTrailer is the key of the gRPC trailer in which a module returns its finished spans, as one encoded
	// opentelemetry.proto.trace.v1.TracesData, and only when the caller's trace is sampled.
	SpansTrailer = "commonvat-spans-bin"
	// MaxSpansBytes bounds the encoded spans of one call.
	MaxSpansBytes = 5 << 10
	// MaxSpans bounds the number of spans of one call.
	MaxSpans = 24
)

// PluginName is the one name in go-plugin's plugin set; what a module serves is said by Describe.
const PluginName = "module"

// Handshake returns the handshake of host and module.
func Handshake() plugin.HandshakeConfig {
	return plugin.HandshakeConfig{
		ProtocolVersion:  ProtocolVersion,
		MagicCookieKey:   CookieKey,
		MagicCookieValue: CookieValue,
	}
}

// StartedAsModule tells whether a host started this process as a module.
func StartedAsModule() bool { return startedAsModule }
