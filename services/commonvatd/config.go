package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

const (
	defaultData   = "data"
	defaultListen = "127.0.0.1:7730"

	storeFile    = "commonvat.db"
	modulesFile  = "modules"
	cacheBytes   = 16 << 20
	maxStopGrace = 5 * time.Minute
)

func storePath(data string) string   { return filepath.Join(data, storeFile) }
func modulesPath(data string) string { return filepath.Join(data, modulesFile) }

// serveConfig is what `commonvatd serve` is told.
type serveConfig struct {
	data       string
	listen     string
	runtimeDir string
	readyFile  string
	metrics    string
	tlsCert    string
	tlsKey     string
	logLevel   string
	stopGrace  time.Duration

	level slog.Level  // of logLevel
	tls   *tls.Config // of tlsCert and tlsKey; nil for plaintext
}

// check looks at everything before anything is started, and tells all faults at once.
func (c *serveConfig) check() error {
	var faults []error
	fault := func(format string, args ...any) { faults = append(faults, fmt.Errorf(format, args...)) }
	if c.data == "" {
		fault("--data is empty; allowed: a folder")
	} else if info, err := os.Stat(c.data); err == nil && !info.IsDir() {
		fault("--data %q is no folder", c.data)
	}
	if c.readyFile != "" {
		if info, err := os.Stat(filepath.Dir(c.readyFile)); err != nil || !info.IsDir() {
			fault("--ready-file %q: its folder isn't there", c.readyFile)
		}
	}
	if c.metrics != "" {
		if err := telemetry.CheckMetricsListen(c.metrics); err != nil {
			fault("--metrics-listen: %w", err)
		}
	}
	if err := c.level.UnmarshalText([]byte(c.logLevel)); err != nil {
		fault("--log-level %q is unknown; allowed: debug, info, warn, error", c.logLevel)
	}
	if c.stopGrace <= 0 || c.stopGrace > maxStopGrace {
		fault("--stop-grace %v is out of range; allowed: above 0, at most %v", c.stopGrace, maxStopGrace)
	}
	if c.runtimeDir == "" {
		c.runtimeDir = catalog.DefaultRuntimeDir()
	}
	switch {
	case (c.tlsCert == "") != (c.tlsKey == ""):
		fault("--tls-cert and --tls-key go together; one of them is missing")
	case c.tlsCert != "":
		pair, err := tls.LoadX509KeyPair(c.tlsCert, c.tlsKey)
		if err != nil {
			fault("--tls-cert %q, --tls-key %q: %w", c.tlsCert, c.tlsKey, err)
		}
		c.tls = &tls.Config{Certificates: []tls.Certificate{pair}, MinVersion: tls.VersionTLS13}
	}
	if _, port, err := net.SplitHostPort(c.listen); err != nil || port == "" {
		fault("--listen %q is malformed; allowed: host:port, with port 0 for any free one", c.listen)
	} else if _, _, err := api.CheckAddress(c.listen, c.tlsCert != ""); err != nil {
		fault("--listen: %w", err)
	}
	if len(faults) > 0 {
		return usageError{errors.Join(faults...)}
	}
	return nil
}
