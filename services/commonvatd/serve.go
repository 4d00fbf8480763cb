package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

const (
	// modulesCloseTimeout bounds the end of the modules, after the last call is done.
	modulesCloseTimeout = 10 * time.Second
	// softMemory is from where the collector works harder instead of letting the heap double. A pool of a million readings holds half of it
	// and hardly changes, so that costs little; smaller ones never come near. It refuses nothing: a larger pool takes what it needs.
	softMemory = 400 << 20
)

// moduleCallTimeouts are meant for pools of up to 100,000 rows: a batch of readings, a difference, a question as a whole.
var moduleCallTimeouts = map[string]time.Duration{
	sdk.KindReading: 10 * time.Second, sdk.KindDifference: 5 * time.Second, sdk.KindPalette: time.Minute, sdk.KindCompare: time.Minute,
}

func newServe() *cobra.Command {
	config := &serveConfig{}
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Runs the core until SIGINT or SIGTERM",
		Long: `Runs the core until SIGINT or SIGTERM, then ends within the grace.

Records are served as soon as the store is open; modules are started beside it and not waited
for. Without a certificate only loopback addresses are listened on. Traces are off until an
exporter is set in the environment (OTEL_EXPORTER_OTLP_ENDPOINT or OTEL_TRACES_EXPORTER=otlp).`,
		Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if err := config.check(); err != nil {
				return err
			}
			return serve(cmd.Context(), config, cmd.ErrOrStderr())
		},
	}
	flags := cmd.Flags()
	flags.StringVar(&config.data, "data", defaultData, "folder of the records and the modules")
	flags.StringVar(&config.listen, "listen", defaultListen, "address to listen on; port 0 takes any free one")
	flags.StringVar(&config.runtimeDir, "runtime-dir", "", "short private folder for module sockets (default: the user's runtime folder)")
	flags.StringVar(&config.readyFile, "ready-file", "", "file that gets the listening address once the core answers")
	flags.StringVar(&config.tlsCert, "tls-cert", "", "certificate chain in PEM, needed beyond loopback")
	flags.StringVar(&config.tlsKey, "tls-key", "", "private key in PEM, needed beyond loopback")
	flags.StringVar(&config.logLevel, "log-level", "info", "debug, info, warn or error")
	flags.DurationVar(&config.stopGrace, "stop-grace", api.DefaultStopGrace, "how long calls may go on when the core stops")
	return cmd
}

// serve runs the core until ctx ends. What was begun is ended in the opposite order, whatever fails in between.
func serve(ctx context.Context, config *serveConfig, stderr io.Writer) (err error) {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(softMemory)
	}
	log := slog.New(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: config.level}))
	var ends []func() error
	defer func() {
		for i := len(ends) - 1; i >= 0; i-- {
			err = errors.Join(err, ends[i]())
		}
		log.Info("stopped")
	}()

	traces, err := telemetry.Start(ctx, os.Getenv, version(), log)
	if err != nil {
		return err
	}
	ends = append(ends, func() error { //nolint:contextcheck // ctx has ended by then; the end has a deadline of its own
		// Traces that a collector doesn't take are lost; that is no reason to call the end a failed one.
		if err := traces.Shutdown(); err != nil {
			log.Warn("the last traces were not taken", "error", err)
		}
		return nil
	})

	records, err := sqlite.Open(ctx, sqlite.Config{Path: storePath(config.data), CacheBytes: cacheBytes, Logger: log})
	if err != nil {
		return err
	}
	ends = append(ends, records.Close)

	modules, err := openModules(config, traces, log) //nolint:contextcheck // modules end by Close, after the last call
	if err != nil {
		return err
	}
	ends = append(ends, func() error {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), modulesCloseTimeout)
		defer cancel()
		modules.Close(closing)
		return nil
	})

	registry := access.New(records, nil)
	more, endPool := wire(ctx, records, modules, log)
	ends = append(ends, endPool)

	listener, public, err := api.Listen(ctx, config.listen, config.tls != nil)
	if err != nil {
		return err
	}
	server, err := api.New(api.Config{
		Registry: registry, Store: records, Modules: modules, Register: more, Log: log, Options: traces.ServerOptions(public),
		TLS: config.tls, Reflection: !public, StopGrace: config.stopGrace,
	})
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	served := make(chan error, 1)
	go func() { served <- server.Serve(listener) }()
	ends = append(ends, func() error {
		server.Stop()
		return <-served
	})

	address := listener.Addr().String()
	if config.readyFile != "" {
		if err := writeReady(config.readyFile, address); err != nil {
			return err
		}
		ends = append(ends, func() error { return removeReady(config.readyFile) })
	}
	log.Info("ready", telemetry.FieldListen, address, telemetry.FieldPlaintext, config.tls == nil, telemetry.FieldVersion, version())

	select {
	case <-ctx.Done():
		log.Info("stopping")
		return nil
	case err := <-served:
		served <- nil
		return fmt.Errorf("server ended: %w", err)
	}
}

func openModules(config *serveConfig, traces *telemetry.Telemetry, log *slog.Logger) (*catalog.Catalog, error) {
	settings := catalog.Config{
		StoreDir: modulesPath(config.data), RuntimeDir: config.runtimeDir, CallTimeouts: moduleCallTimeouts, Logger: log,
	}
	if traces.On() {
		settings.Spans = traces.ModuleSpans
		settings.DialOptions = func(module catalog.Module) []grpc.DialOption {
			return traces.ModuleDialOptions(module.Name, module.Version, module.Kind)
		}
	}
	return catalog.Open(settings)
}

// writeReady writes the address so that a reader sees all of it or nothing.
func writeReady(path, address string) (err error) {
	file, err := os.CreateTemp(filepath.Dir(path), ".ready-*")
	if err != nil {
		return fmt.Errorf("write ready file: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(file.Name())
		}
	}()
	if _, err := io.WriteString(file, address+"\n"); err != nil {
		return errors.Join(fmt.Errorf("write ready file: %w", err), file.Close())
	}
	if err := file.Close(); err != nil {
		return fmt.Errorf("write ready file: %w", err)
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return fmt.Errorf("write ready file: %w", err)
	}
	return nil
}

func removeReady(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("remove ready file: %w", err)
	}
	return nil
}
