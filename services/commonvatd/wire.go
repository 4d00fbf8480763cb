package main

import (
	"context"
	"errors"
	"log/slog"
	"slices"
	"sync"
	"time"

	"google.golang.org/grpc"

	"github.com/commonvat/commonvat/plugins/sdk"
	typesv1 "github.com/commonvat/commonvat/proto/gen/go/commonvat/types/v1"
	"github.com/commonvat/commonvat/services/internal/bench"
	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/packs"
	"github.com/commonvat/commonvat/services/internal/pipeline"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/record"
	"github.com/commonvat/commonvat/services/internal/runs"
	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/telemetry"

	"github.com/commonvat/commonvat/services/internal/api/benchv1"
	"github.com/commonvat/commonvat/services/internal/api/catalogv1"
	"github.com/commonvat/commonvat/services/internal/api/filter"
	"github.com/commonvat/commonvat/services/internal/api/poolv1"
	"github.com/commonvat/commonvat/services/internal/api/runv1"
)

// wire puts together what follows the store's feed and asks the modules: the pool, the runs, the packs of data that modules are given, and the bench. It returns what
// registers their services, what tells how far the pool has come, and what ends the following.
func wire(ctx context.Context, data string, records store.Engine, modules *catalog.Catalog, told *telemetry.Telemetry, log *slog.Logger) (register []func(grpc.ServiceRegistrar), status func() pool.Status, end func() error, err error) {
	kept := packs.OpenFolder(datafolder.Packs(data))
	asks := pipeline.New(moduleSource{modules}).WithContents(kept) // one for all who ask, so that data is put into a module by one at a time
	keeper := packs.New(packs.Config{Folder: kept, Rows: records, Asker: asks, Serving: moduleSource{modules}.takingData, Log: log})
	shared := pool.New(pool.Config{
		Reader: records, Feed: records, Pipeline: asks,
		Decode: record.DecodeTrial, DecodeRows: record.DecodePooled, DecodeMeasured: record.DecodeMeasured, Log: log,
	})
	scoring, err := runs.Open(ctx, runs.Config{
		Store: records, Feed: records, Pool: shared, Scorer: asks, Log: log, Meter: told.Metrics(),
		Parse: func(text string) (*store.Predicate, error) { return filter.Parse(text, pool.FilterFields) },
	})
	if err != nil {
		return nil, nil, nil, err
	}
	runHandlers, err := runv1.New(scoring)
	if err != nil {
		return nil, nil, nil, err
	}
	planning, err := benchv1.New(bench.New(bench.Config{
		Modules: asks, Safety: moduleSource{modules}.active(pipeline.KindSafety), Mordant: moduleSource{modules}.active(pipeline.KindMordant), Packs: inForce(keeper), Store: records, Now: time.Now,
	}))
	if err != nil {
		return nil, nil, nil, err
	}
	following, stop := context.WithCancel(context.WithoutCancel(ctx)) // it ends after the last call, not with the signal
	var running sync.WaitGroup
	running.Go(func() { shared.Run(following) })
	running.Go(func() { scoring.Run(following) })
	handlers := poolv1.New(poolv1.Config{Pool: shared})
	return []func(grpc.ServiceRegistrar){handlers.Register, runHandlers.Register, catalogv1.NewPacks(keeper).Register, planning.Register}, shared.Status, func() error {
		stop()
		running.Wait()
		return nil
	}, nil
}

// inForce names the data by which a module judges plans, or advises on them.
func inForce(keeper *packs.Keeper) func(context.Context, string) ([]string, error) {
	return func(ctx context.Context, module string) ([]string, error) {
		digests, err := keeper.InForce(ctx, module)
		if errors.Is(err, pipeline.ErrTakesNoData) {
			return nil, bench.ErrTakesNoPacks
		}
		return digests, err
	}
}

// active names the modules of a kind that are to serve, whether or not they do now, the default first.
func (s moduleSource) active(kind string) func() []string {
	return func() (names []string) {
		for _, m := range s.catalog.Status() {
			if m.Kind == kind {
				names = append(names, m.Name)
			}
		}
		return names
	}
}

// moduleSource lets the pipeline find modules in the catalog.
type moduleSource struct{ catalog *catalog.Catalog }

// Acquire implements pipeline.Modules.
func (s moduleSource) Acquire(kind string) (pipeline.Handle, error) {
	handle, err := s.catalog.Acquire(kind)
	if err != nil {
		return nil, err
	}
	return moduleHandle{handle}, nil
}

// Serving implements pipeline.Modules.
func (s moduleSource) Serving(kind, contract string) (names []string) {
	for _, m := range s.catalog.Status() {
		if m.Kind == kind && m.State == catalog.StateRunning && slices.Contains(m.Description.GetContracts(), contract) {
			names = append(names, m.Name)
		}
	}
	return names
}

// takingData names the modules of every kind that run now and take data.
func (s moduleSource) takingData() (names []string) {
	for _, kind := range sdk.Kinds() {
		names = append(names, s.Serving(kind, pipeline.DataContract)...)
	}
	return names
}

// moduleHandle adds the provenance in the words of the interface.
type moduleHandle struct{ *catalog.Handle }

// Identity implements pipeline.Handle.
func (h moduleHandle) Identity() *typesv1.ModuleIdentity { return identityOf(h.Module()) }

func identityOf(module catalog.Module) *typesv1.ModuleIdentity {
	return &typesv1.ModuleIdentity{Name: module.Name, Version: module.Version, Digest: module.Digest, Kind: module.Kind}
}
