// Package config is what the core is told: by flags, by environment variables that begin with COMMONVATD_, by a YAML file, and
// by defaults, the earlier before the later. Every fault is told, not the first alone, and each with the key, the value, what is
// allowed, and where it came from. What isn't known is refused. Secrets are never part of it: it names the files that hold them.
package config

import (
	"log/slog"
	"net"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// Prefix begins the name of every environment variable of the core.
const Prefix = "COMMONVATD_"

// FileVariable names the file where no flag does.
const FileVariable = Prefix + "CONFIG"

// Limits of values.
const (
	MaxStopGrace = 5 * time.Minute
	// MaxRate bounds a rate, per second, and MaxBurst how many calls may come at once.
	MaxRate  = 100_000
	MaxBurst = 1_000_000
)

// Config is what the core runs by, whole and checked.
type Config struct {
	Data       string // folder of the records and the modules
	Listen     string // host:port
	RuntimeDir string // private folder for module sockets
	ReadyFile  string // gets the listening address; "" for none
	TLS        TLS
	LogLevel   slog.Level
	StopGrace  time.Duration // how long calls may go on when the core stops
	Health     Health
	Reflection bool // offer the descriptors to members; only ever on loopback
	Metrics    Metrics
	Modules    Modules
	// Limits holds how often a member may call, by class of methods.
	Limits map[string]Limit
}

// TLS names the files of a certificate; without one the core listens on loopback alone.
type TLS struct {
	Cert, Key         string // chain and private key, PEM
	ClientCA          string // authorities whose client certificates are believed, PEM
	RequireClientCert bool
}

// Health is a second listener for probes, plain and on loopback, which answers health and nothing else.
type Health struct {
	Listen string // "" for none
}

// Metrics is where figures are read from, plain and on loopback.
type Metrics struct {
	Listen string // "" for none
}

// Modules is how module processes are started.
type Modules struct {
	Sandbox sandbox.Profile
}

// Limit is a token bucket: Rate calls per second in the long run, Burst at once.
type Limit struct {
	Rate  float64
	Burst int
}

// WithTLS tells whether members' connections are encrypted.
func (c *Config) WithTLS() bool { return c.TLS.Cert != "" }

// HealthAddress is where a probe on the same machine asks, and whether it must speak TLS there. An address that stands for all
// of the machine's is asked on loopback.
func (c *Config) HealthAddress() (address string, withTLS bool) {
	if c.Health.Listen != "" {
		return c.Health.Listen, false
	}
	host, port, err := net.SplitHostPort(c.Listen)
	if err != nil {
		return c.Listen, c.WithTLS()
	}
	if ip := net.ParseIP(host); host == "" || ip.IsUnspecified() {
		host = "127.0.0.1"
		if ip != nil && ip.To4() == nil {
			host = "::1"
		}
	}
	return net.JoinHostPort(host, port), c.WithTLS()
}
