package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/api/certs"
	"github.com/commonvat/commonvat/services/internal/api/limits"
	"github.com/commonvat/commonvat/services/internal/catalog"
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
	tlsCert    string
	tlsKey     string
	clientCA   string
	needClient bool
	limitTexts []string
	logLevel   string
	stopGrace  time.Duration

	level  slog.Level    // of logLevel
	tls    *tls.Config   // of tlsCert and tlsKey; nil for plaintext
	limits limits.Config // of limitTexts
	log    *slog.Logger
}

// check looks at everything before anything is started, and tells all faults at once. The log is written to stderr from then on.
func (c *serveConfig) check(stderr io.Writer) error {
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
	if err := c.level.UnmarshalText([]byte(c.logLevel)); err != nil {
		fault("--log-level %q is unknown; allowed: debug, info, warn, error", c.logLevel)
	}
	c.log = slog.New(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: c.level}))
	if c.stopGrace <= 0 || c.stopGrace > maxStopGrace {
		fault("--stop-grace %v is out of range; allowed: above 0, at most %v", c.stopGrace, maxStopGrace)
	}
	if c.runtimeDir == "" {
		c.runtimeDir = catalog.DefaultRuntimeDir()
	}
	for _, text := range c.limitTexts {
		if err := c.limits.Set(text); err != nil {
			fault("--limit: %w", err)
		}
	}
	switch files := (certs.Files{Cert: c.tlsCert, Key: c.tlsKey, ClientCA: c.clientCA, RequireClient: c.needClient}); {
	case (c.tlsCert == "") != (c.tlsKey == ""):
		fault("--tls-cert and --tls-key go together; one of them is missing")
	case c.tlsCert == "" && (c.clientCA != "" || c.needClient):
		fault("--tls-client-ca and --tls-require-client-cert need --tls-cert and --tls-key")
	case c.needClient && c.clientCA == "":
		fault("--tls-require-client-cert needs --tls-client-ca")
	case c.tlsCert != "":
		var err error
		if c.tls, err = certs.Open(files, c.log, nil); err != nil {
			fault("--tls-cert, --tls-key, --tls-client-ca: %w", err)
		}
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
