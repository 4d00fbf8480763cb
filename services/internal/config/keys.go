package config

import (
	"errors"
	"fmt"
	"math"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// The classes of methods that a limit may be set for, with what holds when none is set.
var classes = []struct{ name, rate, burst string }{
	{"read", "20000", "40000"},
	{"write", "5000", "20000"},
	{"import", "50", "400"},
	{"question", "20", "200"},
	{"watch", "5", "300"},
	{"steward", "5", "100"},
}

// key is one value that can be set.
type key struct {
	name    string // as in the file, dotted
	usage   string
	preset  string // the default, as text
	allowed string
	set     func(c *Config, text string) error // its errors say what is wrong with the value, without the value
	get     func(c *Config) string
}

// flag is the name of the key's flag and variable that of its environment variable.
func (k key) flag() string {
	return strings.NewReplacer(".", "-", "_", "-").Replace(k.name)
}

func (k key) variable() string {
	return Prefix + strings.ToUpper(strings.ReplaceAll(k.name, ".", "_"))
}

var errRange = errors.New("is out of range")
var errMalformed = errors.New("is malformed")

// keys is every key there is. runtimeDir is the default of one, which depends on who runs the core.
func keys(runtimeDir string) []key {
	const folder, file, address = "a folder", "a file, or empty for none", "host:port, with port 0 for any free one"
	list := []key{
		text("data", "folder of the records and the modules", "data", folder, func(c *Config) *string { return &c.Data }, notEmpty),
		text("listen", "address to listen on; port 0 takes any free one", "127.0.0.1:7730", address, func(c *Config) *string { return &c.Listen }, isAddress),
		text("runtime_dir", "short private folder for module sockets", runtimeDir, folder, func(c *Config) *string { return &c.RuntimeDir }, notEmpty),
		text("ready_file", "file that gets the listening address once the core answers", "", file+"; its folder must be there", func(c *Config) *string { return &c.ReadyFile }, inFolder),
		text("tls.cert", "certificate chain in PEM, needed beyond loopback", "", file, func(c *Config) *string { return &c.TLS.Cert }, anything),
		text("tls.key", "private key in PEM, needed beyond loopback", "", file, func(c *Config) *string { return &c.TLS.Key }, anything),
		text("tls.client_ca", "authorities of client certificates in PEM", "", file, func(c *Config) *string { return &c.TLS.ClientCA }, anything),
		truth("tls.require_client_cert", "refuse clients without a certificate of tls.client_ca", "false", func(c *Config) *bool { return &c.TLS.RequireClientCert }),
		{
			name: "log.level", usage: "debug, info, warn or error", preset: "info", allowed: "debug, info, warn, error",
			set: func(c *Config, text string) error {
				if !slices.Contains([]string{"debug", "info", "warn", "error"}, text) {
					return errors.New("is unknown")
				}
				return c.LogLevel.UnmarshalText([]byte(text))
			},
			get: func(c *Config) string { return strings.ToLower(c.LogLevel.String()) },
		},
		{
			name: "stop_grace", usage: "how long calls may go on when the core stops", preset: "5s",
			allowed: fmt.Sprintf("a duration such as 5s, above 0, at most %v", MaxStopGrace),
			set: func(c *Config, text string) error {
				grace, err := time.ParseDuration(text)
				if err != nil {
					return errMalformed
				}
				if grace <= 0 || grace > MaxStopGrace {
					return errRange
				}
				c.StopGrace = grace
				return nil
			},
			get: func(c *Config) string { return c.StopGrace.String() },
		},
		text("health.listen", "plain loopback address for probes, beside that of the members", "", "host:port on loopback, or empty for none", func(c *Config) *string { return &c.Health.Listen }, isLoopback),
		truth("reflection", "offer the descriptors of the interface to members on loopback", "true", func(c *Config) *bool { return &c.Reflection }),
		text("metrics.listen", "plain loopback address, or unix:PATH, from which metrics are pulled", "", "host:port on loopback, unix: and an absolute path, or empty for none", func(c *Config) *string { return &c.Metrics.Listen }, isLoopbackOrSocket),
		{
			name: "modules.sandbox", usage: "how much modules are held: production, local or off", preset: string(sandbox.Local), allowed: "production, local, off",
			set: func(c *Config, text string) error {
				profile, err := sandbox.ParseProfile(text)
				if err != nil {
					return errors.New("is unknown")
				}
				c.Modules.Sandbox = profile
				return nil
			},
			get: func(c *Config) string { return string(c.Modules.Sandbox) },
		},
	}
	for _, class := range classes {
		list = append(list, limitKeys(class.name, class.rate, class.burst)...)
	}
	return list
}

// limitKeys are the two of one class.
func limitKeys(class, presetRate, presetBurst string) []key {
	change := func(c *Config, do func(*Limit)) {
		if c.Limits == nil {
			c.Limits = map[string]Limit{}
		}
		limit := c.Limits[class]
		do(&limit)
		c.Limits[class] = limit
	}
	return []key{
		{
			name: "limits." + class + ".rate", usage: "calls per second of one member to " + class + " methods", preset: presetRate, allowed: fmt.Sprintf("a number above 0, at most %d", MaxRate),
			set: func(c *Config, text string) error {
				rate, err := strconv.ParseFloat(text, 64)
				if err != nil {
					return errMalformed
				}
				if math.IsNaN(rate) || rate <= 0 || rate > MaxRate {
					return errRange
				}
				change(c, func(l *Limit) { l.Rate = rate })
				return nil
			},
			get: func(c *Config) string { return strconv.FormatFloat(c.Limits[class].Rate, 'g', -1, 64) },
		},
		{
			name: "limits." + class + ".burst", usage: "calls at once of one member to " + class + " methods", preset: presetBurst, allowed: fmt.Sprintf("a whole number, 1 to %d", MaxBurst),
			set: func(c *Config, text string) error {
				burst, err := strconv.Atoi(text)
				if err != nil {
					return errMalformed
				}
				if burst < 1 || burst > MaxBurst {
					return errRange
				}
				change(c, func(l *Limit) { l.Burst = burst })
				return nil
			},
			get: func(c *Config) string { return strconv.Itoa(c.Limits[class].Burst) },
		},
	}
}

func text(name, usage, preset, allowed string, field func(*Config) *string, check func(string) error) key {
	return key{
		name: name, usage: usage, preset: preset, allowed: allowed,
		set: func(c *Config, text string) error { *field(c) = text; return check(text) },
		get: func(c *Config) string { return *field(c) },
	}
}

func truth(name, usage, preset string, field func(*Config) *bool) key {
	return key{
		name: name, usage: usage, preset: preset, allowed: "true, false",
		set: func(c *Config, text string) error {
			if text != "true" && text != "false" {
				return errMalformed
			}
			*field(c) = text == "true"
			return nil
		},
		get: func(c *Config) string { return strconv.FormatBool(*field(c)) },
	}
}

func anything(string) error { return nil }

func notEmpty(text string) error {
	if text == "" {
		return errors.New("is empty")
	}
	if info, err := os.Stat(text); err == nil && !info.IsDir() {
		return errors.New("is no folder")
	}
	return nil
}

func inFolder(text string) error {
	if text == "" {
		return nil
	}
	if info, err := os.Stat(filepath.Dir(text)); err != nil || !info.IsDir() {
		return errors.New("lies in a folder that isn't there")
	}
	return nil
}

func isAddress(text string) error {
	_, err := resolve(text)
	return err
}

func isLoopback(text string) error {
	if text == "" {
		return nil
	}
	tcp, err := resolve(text)
	if err != nil {
		return err
	}
	if tcp.IP == nil || !tcp.IP.IsLoopback() {
		return errors.New("is not loopback")
	}
	return nil
}

func isLoopbackOrSocket(text string) error {
	if path, socket := strings.CutPrefix(text, "unix:"); socket {
		if !filepath.IsAbs(path) {
			return errors.New("is no absolute path of a socket")
		}
		return nil
	}
	return isLoopback(text)
}

// resolve reads an address to listen on. A host that must be looked up counts by what it stands for.
func resolve(text string) (*net.TCPAddr, error) {
	_, port, err := net.SplitHostPort(text)
	if err != nil {
		return nil, errMalformed
	}
	if n, err := strconv.ParseUint(port, 10, 16); err != nil || n > math.MaxUint16 {
		return nil, errors.New("has no port of 0 to 65535")
	}
	tcp, err := net.ResolveTCPAddr("tcp", text)
	if err != nil {
		return nil, errors.New("has a host that stands for no address")
	}
	return tcp, nil
}
