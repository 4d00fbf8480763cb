package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

const (
	// modulesCloseTimeout bounds the end of the modules, after the last call is done.
	modulesCloseTimeout = 10 * time.Second
	// registryCloseTimeout bounds the keeping of when tokens were last used.
	registryCloseTimeout = 5 * time.Second
	// softMemory is from where the collector works harder instead of letting the heap double. A pool of a million readings holds a third of it
	// and hardly changes, and a question about all of them as much again; smaller ones never come near. It refuses nothing: a larger pool takes what it needs.
	softMemory = 300 << 20
)

// moduleCallTimeouts are meant for questions of up to 1,000,000 rows: a batch of readings, a difference, a question as a whole.
var moduleCallTimeouts = map[string]time.Duration{
	sdk.KindReading: 10 * time.Second, sdk.KindDifference: 5 * time.Second, sdk.KindPalette: time.Minute, sdk.KindCompare: time.Minute,
	sdk.KindMordant: 5 * time.Second, sdk.KindBathscale: 5 * time.Second, sdk.KindSafety: 10 * time.Second,
	sdk.KindOverdye: 10 * time.Second,
}

func newServe() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Runs the core until SIGINT or SIGTERM",
		Long: `Runs the core until SIGINT or SIGTERM, then ends within the grace.

What isn't given by a flag is taken from the environment (COMMONVATD_DATA and so on), then from the configuration file, then
the default; "commonvatd config show" tells what comes of it. Records are served as soon as the store is open; modules are
started beside it and not waited for. Without a certificate only loopback addresses are listened on; certificates are read
again when their files change. Calls beyond a limit are refused at once. Traces and metrics are off until an
exporter is set in the environment (OTEL_EXPORTER_OTLP_ENDPOINT, or OTEL_TRACES_EXPORTER=otlp and OTEL_METRICS_EXPORTER=otlp);
--metrics-listen offers metrics to be pulled, in the Prometheus text format at /metrics.`,
		Args: exactly(0),
		RunE: func(cmd *cobra.Command, _ []string) error {
			resolved, err := resolve(cmd)
			if err != nil {
				return err
			}
			return serve(cmd.Context(), &resolved.Config, cmd.ErrOrStderr())
		},
	}
	configFlags(cmd)
	return cmd
}

// serve runs the core until ctx ends. What was begun is ended in the opposite order, whatever fails in between.
func serve(ctx context.Context, config *config.Config, stderr io.Writer) (err error) {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(softMemory)
	}
	log := slog.New(telemetry.LogHandler(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: config.LogLevel})))
	var ends []func() error
	defer func() {
		for i := len(ends) - 1; i >= 0; i-- {
			err = errors.Join(err, ends[i]())
		}
		log.Info("stopped")
	}()
	certificate, err := serverTLS(config, log)
	if err != nil {
		return err
	}

	var probing *probes
	if config.Health.Listen != "" {
		var address net.Addr
		if probing, address, err = startProbes(ctx, config.Health.Listen); err != nil {
			return err
		}
		log.Info("probes are answered", telemetry.FieldListen, address.String())
		ends = append(ends, probing.close)
	}
	notify(log, statusLine("opening the store"))

	told, err := telemetry.Start(ctx, telemetry.Config{Getenv: os.Getenv, MetricsListen: config.Metrics.Listen, Version: version(), Log: log})
	if err != nil {
		return err
	}
	ends = append(ends, func() error { //nolint:contextcheck // ctx has ended by then; the end has a deadline of its own
		// What a collector doesn't take is lost; that is no reason to call the end a failed one.
		if err := told.Shutdown(); err != nil {
			log.Warn("the last traces or metrics were not taken", "error", err)
		}
		return nil
	})

	records, err := sqlite.Open(ctx, sqlite.Config{Path: storePath(config.Data), CacheBytes: cacheBytes, Logger: log, Committed: committed(told)})
	if err != nil {
		return err
	}
	ends = append(ends, records.Close)

	chosen, err := chosenModules(ctx, records)
	if err != nil {
		return err
	}
	modules, err := openModules(config, chosen, told, log)
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
	ends = append(ends, func() error {
		closing, cancel := context.WithTimeout(context.WithoutCancel(ctx), registryCloseTimeout)
		defer cancel()
		return registry.Close(closing)
	})
	more, poolStatus, endPool, err := wire(ctx, config.Data, records, modules, told, log)
	if err != nil {
		return err
	}
	ends = append(ends, endPool)
	endObserving, err := observe(told, config, records, modules, poolStatus, log)
	if err != nil {
		return err
	}
	ends = append(ends, endObserving)

	listener, public, err := api.Listen(ctx, config.Listen, config.WithTLS())
	if err != nil {
		return err
	}
	server, err := api.New(api.Config{
		Registry: registry, Store: records, Modules: modules, ModuleFolder: modulesPath(config.Data), Register: more, Log: log, Options: told.ServerOptions(public), Meter: told.Metrics(),
		TLS: certificate, Reflection: config.Reflection && !public, StopGrace: config.StopGrace, Limits: memberLimits(config),
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
	if config.ReadyFile != "" {
		if err := writeReady(config.ReadyFile, address); err != nil {
			return err
		}
		ends = append(ends, func() error { return removeReady(config.ReadyFile) })
	}
	if probing != nil {
		probing.serving(server.ServiceInfo())
	}
	notify(log, stateReady, statusLine("serving on "+address))
	log.Info("ready", telemetry.FieldListen, address, telemetry.FieldPlaintext, !config.WithTLS(), telemetry.FieldVersion, version())

	select {
	case <-ctx.Done():
		if probing != nil {
			probing.stopping()
		}
		notify(log, stateStopping, statusLine("stopping"))
		log.Info("stopping")
		return nil
	case err := <-served:
		served <- nil
		return fmt.Errorf("server ended: %w", err)
	}
}

// chosenModules reads which builds were chosen while the core ran.
func chosenModules(ctx context.Context, records store.ModuleChoices) (chosen []catalog.Chosen, err error) {
	choices, err := records.ModuleChoices(ctx)
	if err != nil {
		return nil, err
	}
	for _, c := range choices {
		chosen = append(chosen, catalog.Chosen{Name: c.Name, Kind: c.Kind, Digest: c.Digest, Default: c.Default, Retired: c.Retired})
	}
	return chosen, nil
}

func openModules(config *config.Config, chosen []catalog.Chosen, told *telemetry.Telemetry, log *slog.Logger) (*catalog.Catalog, error) {
	active, err := catalog.ActiveWith(modulesPath(config.Data), chosen)
	if err != nil {
		log.Error("module store has damaged entries", "error", err)
	}
	settings := catalog.Config{
		StoreDir: modulesPath(config.Data), Active: active, RuntimeDir: config.RuntimeDir, CallTimeouts: moduleCallTimeouts, Logger: log,
		Contracts: pipeline.Contracts(), Sandbox: config.Modules.Sandbox,
		SelfTest: func(ctx context.Context, module catalog.Module, described *describev1.DescribeResponse, conn grpc.ClientConnInterface) error {
			return pipeline.SelfTest(ctx, identityOf(module), described, conn)
		},
	}
	if told.Metrics() != nil {
		settings.Meter = func(module catalog.Module) catalog.CallMeter {
			return told.Metrics().Module(module.Name, module.Version, module.Kind)
		}
	}
	if told.On() {
		settings.Spans = told.ModuleSpans
		settings.DialOptions = func(module catalog.Module) []grpc.DialOption {
			return told.ModuleDialOptions(module.Name, module.Version, module.Kind)
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
