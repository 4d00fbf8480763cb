package main

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"runtime/debug"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	describev1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/module/describe/v1"
	"github.com/commonvat/commonvat/services/internal/access"
	"github.com/commonvat/commonvat/services/internal/api"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

const (
	// modulesCloseTimeout bounds the end of the modules, after the last call is done.
	modulesCloseTimeout = 10 * time.Second
	// registryCloseTimeout bounds the keeping of when tokens were last used.
	registryCloseTimeout = 10 * time.Second
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

// core is what serve has begun, and how that is ended.
type core struct {
	config   *config.Config
	log      *slog.Logger
	probing  *probes // nil when no address for probes is configured
	told     *telemetry.Telemetry
	records  *sqlite.Store
	listener net.Listener
	public   bool // others than this machine can reach the listener
	modules  *catalog.Catalog
	server   *api.Server
	served   chan error // what the server ended with

	ends []func() error
}

// serve runs the core until ctx ends. What was begun is ended in the opposite order, whatever fails in between.
func serve(ctx context.Context, config *config.Config, stderr io.Writer) (err error) {
	if os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(softMemory)
	}
	c := &core{config: config, log: slog.New(telemetry.LogHandler(slog.NewJSONHandler(stderr, &slog.HandlerOptions{Level: config.LogLevel})))}
	defer func() {
		for i := len(c.ends) - 1; i >= 0; i-- {
			err = errors.Join(err, c.ends[i]())
		}
		c.log.Info("stopped")
	}()
	certificate, err := serverTLS(config, c.log)
	if err != nil {
		return err
	}
	if err := c.openStore(ctx); err != nil {
		return err
	}
	if err := c.beginModules(ctx); err != nil {
		return err
	}
	if err := c.beginServer(ctx, certificate); err != nil {
		return err
	}
	return c.attend(ctx)
}

// atEnd has something done at the end, within a time of its own, since ctx has ended by then.
func (c *core) atEnd(ctx context.Context, limit time.Duration, end func(context.Context) error) {
	c.ends = append(c.ends, func() error {
		ending, cancel := context.WithTimeout(context.WithoutCancel(ctx), limit)
		defer cancel()
		return end(ending)
	})
}

// openStore answers probes and begins telemetry, so that both can tell of the rest, and opens the records and the members' address.
func (c *core) openStore(ctx context.Context) error {
	if c.config.Health.Listen != "" {
		probing, address, err := startProbes(ctx, c.config.Health.Listen)
		if err != nil {
			return addressFault("health.listen", c.config.Health.Listen, err)
		}
		c.log.Info("probes are answered", telemetry.FieldListen, address.String())
		c.probing = probing
		c.ends = append(c.ends, probing.close)
	}
	notify(c.log, statusLine("opening the store"))

	var err error
	c.told, err = telemetry.Start(ctx, telemetry.Config{Getenv: os.Getenv, MetricsListen: c.config.Metrics.Listen, Version: version(), Log: c.log})
	if errors.Is(err, syscall.EADDRINUSE) {
		return addressFault("metrics.listen", c.config.Metrics.Listen, err)
	}
	if err != nil {
		return err
	}
	c.ends = append(c.ends, func() error { //nolint:contextcheck // ctx has ended by then; the end has a deadline of its own
		// What a collector doesn't take is lost; that is no reason to call the end a failed one.
		if err := c.told.Shutdown(); err != nil {
			c.log.Warn("the last traces or metrics were not taken", "error", err)
		}
		return nil
	})
	c.records, err = sqlite.Open(ctx, sqlite.Config{
		Path: datafolder.Store(c.config.Data), CacheBytes: sqlite.DefaultCacheBytes, Logger: c.log, Committed: committed(c.told),
	})
	if err != nil {
		return err
	}
	c.ends = append(c.ends, c.records.Close)

	// Before the modules: of an address that is taken one wants to hear at once.
	c.listener, c.public, err = api.Listen(ctx, c.config.Listen, c.config.WithTLS())
	if err != nil {
		return addressFault("listen", c.config.Listen, err)
	}
	c.ends = append(c.ends, func() error {
		if err := c.listener.Close(); !errors.Is(err, net.ErrClosed) { // else the server had it
			return err
		}
		return nil
	})
	return nil
}

// beginModules starts the modules that are to serve, without waiting for them.
func (c *core) beginModules(ctx context.Context) error {
	chosen, err := chosenModules(ctx, c.records)
	if err != nil {
		return err
	}
	if c.modules, err = openModules(c.config, chosen, c.told, c.log); err != nil {
		return err
	}
	c.atEnd(ctx, modulesCloseTimeout, func(ctx context.Context) error {
		c.modules.Close(ctx)
		return nil
	})
	return nil
}

// beginServer begins what follows the store and what is observed of it all, and answers members.
func (c *core) beginServer(ctx context.Context, certificate *tls.Config) error {
	registry := access.New(c.records, nil)
	c.atEnd(ctx, registryCloseTimeout, registry.Close)
	more, poolStatus, endPool, err := wire(ctx, c.config.Data, c.records, c.modules, c.told, c.log)
	if err != nil {
		return err
	}
	c.ends = append(c.ends, endPool)
	endObserving, err := observe(c.told, c.config, c.records, c.modules, poolStatus, c.log)
	if err != nil {
		return err
	}
	c.ends = append(c.ends, endObserving)

	c.server, err = api.New(api.Config{
		Registry: registry, Store: c.records, Modules: c.modules, ModuleFolder: datafolder.Modules(c.config.Data), Register: more, Log: c.log,
		Options: c.told.ServerOptions(c.public), Meter: c.told.Metrics(), TLS: certificate, Reflection: c.config.Reflection && !c.public,
		StopGrace: c.config.StopGrace, Limits: memberLimits(c.config),
	})
	if err != nil {
		return err
	}
	c.served = make(chan error, 1)
	go func() { c.served <- c.server.Serve(c.listener) }()
	c.ends = append(c.ends, func() error {
		c.server.Stop()
		return <-c.served
	})
	return nil
}

// attend says that all is served, and waits for the end.
func (c *core) attend(ctx context.Context) error {
	address := c.listener.Addr().String()
	if c.config.ReadyFile != "" {
		if err := writeReady(c.config.ReadyFile, address); err != nil {
			return err
		}
		c.ends = append(c.ends, func() error { return removeReady(c.config.ReadyFile) })
	}
	if c.probing != nil {
		c.probing.serving(c.server.ServiceInfo())
	}
	notify(c.log, stateReady, statusLine("serving on "+address))
	c.log.Info("ready", telemetry.FieldListen, address, telemetry.FieldPlaintext, !c.config.WithTLS(), telemetry.FieldVersion, version())

	select {
	case <-ctx.Done():
		if c.probing != nil {
			c.probing.stopping()
		}
		notify(c.log, stateStopping, statusLine("stopping"))
		c.log.Info("stopping")
		return nil
	case err := <-c.served:
		c.served <- nil
		return fmt.Errorf("server ended: %w", err)
	}
}

// addressFault says of an address that can't be listened on which key of the configuration names it.
func addressFault(key, address string, err error) error {
	if errors.Is(err, syscall.EADDRINUSE) {
		return fmt.Errorf("%s: %s is in use by another program: end that, or choose another address; see: commonvatd config show", key, address)
	}
	return fmt.Errorf("%s: %w", key, err)
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
	active, err := catalog.ActiveWith(datafolder.Modules(config.Data), chosen)
	if err != nil {
		log.Error("module store has damaged entries", "error", err)
	}
	settings := catalog.Config{
		StoreDir: datafolder.Modules(config.Data), Active: active, RuntimeDir: config.RuntimeDir, CallTimeouts: moduleCallTimeouts, Logger: log,
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
