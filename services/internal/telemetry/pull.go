package telemetry

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/otlptranslator"
	promexporter "go.opentelemetry.io/otel/exporters/prometheus"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
)

const (
	// MetricsPath is where metrics are pulled from.
	MetricsPath = "/metrics"

	unixPrefix = "unix:"

	pullTimeout       = 10 * time.Second
	maxPullsAtOnce    = 4
	maxPullHeader     = 8 << 10
	maxUnixSocketPath = 107 // bytes, without the closing zero; unix(7)
)

// pull is the listener that metrics are pulled from.
type pull struct {
	listener net.Listener
	server   *http.Server
	running  sync.WaitGroup
	log      *slog.Logger
}

// metricsAddress gives what to listen at as package net wants it, and refuses what metrics must not be offered at. They say how much a cooperative does and when,
// and whoever asks isn't asked who they are, so only this machine may: 127.0.0.0/8, [::1], or a socket in a folder.
func metricsAddress(address string) (network, at string, err error) {
	const allowed = "allowed: a loopback address with a port, such as 127.0.0.1:7731 or [::1]:7731, or unix: and an absolute path; " +
		"to collect from elsewhere, run a collector on this machine or set OTEL_EXPORTER_OTLP_ENDPOINT"
	if path, ok := strings.CutPrefix(address, unixPrefix); ok {
		switch {
		case !filepath.IsAbs(path):
			return "", "", fmt.Errorf("metrics address %q has no absolute path; %s", address, allowed)
		case len(path) > maxUnixSocketPath:
			return "", "", fmt.Errorf("metrics address %q has a path of %d bytes; a socket's path may have %d", address, len(path), maxUnixSocketPath)
		}
		return "unix", path, nil
	}
	if _, port, err := net.SplitHostPort(address); err != nil || port == "" {
		return "", "", fmt.Errorf("metrics address %q is malformed; %s", address, allowed)
	}
	tcp, err := net.ResolveTCPAddr("tcp", address)
	if err != nil {
		return "", "", fmt.Errorf("metrics address %q: %w", address, err)
	}
	if tcp.IP == nil || !tcp.IP.IsLoopback() {
		return "", "", fmt.Errorf("metrics address %q is not loopback; %s", address, allowed)
	}
	return "tcp", tcp.String(), nil
}

// newPull opens the address and makes the reader behind it. Nothing is answered before serve.
func newPull(ctx context.Context, address string, log *slog.Logger) (_ *pull, _ sdkmetric.Reader, err error) {
	network, at, err := metricsAddress(address)
	if err != nil {
		return nil, nil, err
	}
	registry := prometheus.NewRegistry()
	reader, err := promexporter.New(promexporter.WithRegisterer(registry), promexporter.WithoutScopeInfo(), promexporter.WithoutTargetInfo(),
		promexporter.WithTranslationStrategy(otlptranslator.UnderscoreEscapingWithSuffixes))
	if err != nil {
		return nil, nil, fmt.Errorf("make metrics to be pulled: %w", err)
	}
	listener, err := listen(ctx, network, at)
	if err != nil {
		return nil, nil, fmt.Errorf("listen for metrics: %w", err)
	}
	faults := slog.NewLogLogger(log.Handler(), slog.LevelWarn)
	mux := http.NewServeMux()
	mux.Handle("GET "+MetricsPath, promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		ErrorLog: faults, ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: maxPullsAtOnce, Timeout: pullTimeout,
	}))
	return &pull{
		listener: listener, log: log,
		server: &http.Server{
			Handler: mux, ErrorLog: faults, MaxHeaderBytes: maxPullHeader,
			ReadHeaderTimeout: pullTimeout, ReadTimeout: pullTimeout, WriteTimeout: 2 * pullTimeout, IdleTimeout: 2 * time.Minute,
		},
	}, reader, nil
}

// listen opens an address. A socket that a core which died has left is replaced; anything else in its place is not.
func listen(ctx context.Context, network, at string) (net.Listener, error) {
	var config net.ListenConfig
	if network != "unix" {
		return config.Listen(ctx, network, at)
	}
	if info, err := os.Lstat(at); err == nil {
		if info.Mode()&os.ModeSocket == 0 {
			return nil, fmt.Errorf("%s is there and no socket", at)
		}
		if conn, err := (&net.Dialer{Timeout: time.Second}).DialContext(ctx, network, at); err == nil {
			return nil, errors.Join(fmt.Errorf("%s is in use by another process", at), conn.Close())
		}
		if err := os.Remove(at); err != nil {
			return nil, err
		}
	}
	listener, err := config.Listen(ctx, network, at)
	if err != nil {
		return nil, err
	}
	if err := os.Chmod(at, 0o660); err != nil { //nolint:gosec // the folder says who gets in; its group may be the collector's
		return nil, errors.Join(err, listener.Close())
	}
	return listener, nil
}

func (p *pull) serve() {
	p.running.Go(func() {
		if err := p.server.Serve(p.listener); !errors.Is(err, http.ErrServerClosed) {
			p.log.Error("metrics can't be pulled any more", FieldError, err.Error())
		}
	})
	p.log.Info("metrics can be pulled", FieldListen, p.listener.Addr().String(), "path", MetricsPath)
}

// close ends the listener and whoever is being answered; a pull is repeated soon enough.
func (p *pull) close() error {
	err := p.server.Close()
	if closed := p.listener.Close(); !errors.Is(closed, net.ErrClosed) { // it isn't the server's before serve
		err = errors.Join(err, closed)
	}
	p.running.Wait()
	return err
}
