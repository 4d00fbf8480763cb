package main

import (
	"log/slog"
	"math"
	"time"

	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/datafolder"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// committed is what the store tells of its transactions to, or nil when metrics are off.
func committed(told *telemetry.Telemetry) func(changes int, took time.Duration) {
	if told.Metrics() == nil {
		return nil
	}
	return told.Metrics().Committed
}

// observe has metrics look at the store, the modules and the pool from now on, until end.
func observe(told *telemetry.Telemetry, config *config.Config, records *sqlite.Store, modules *catalog.Catalog, poolStatus func() pool.Status, log *slog.Logger) (end func() error, err error) {
	stop, err := told.Metrics().Observe(telemetry.Sources{
		Store:      func() telemetry.StoreState { return storeState(records.Stats()) },
		Modules:    func() []telemetry.ModuleState { return moduleStates(modules.Status()) },
		Pool:       func() telemetry.PoolState { return poolState(poolStatus()) },
		BackupFile: datafolder.LastBackup(config.Data), Log: log,
	})
	if err != nil {
		return nil, err
	}
	return func() error { stop(); return nil }, nil
}

func storeState(s sqlite.Stats) telemetry.StoreState {
	return telemetry.StoreState{
		QueueDepth: s.QueueDepth, LogBytes: s.LogBytes, CheckpointFailures: count(s.CheckpointsFailed), Busy: count(s.BusyErrors),
		Replays: count(s.Replays), GroupsLost: count(s.GroupsLost), Damaged: s.Damaged, Schema: s.SchemaVersion,
	}
}

func count(n uint64) int64 { return int64(min(n, math.MaxInt64)) }

func moduleStates(of []catalog.Status) []telemetry.ModuleState {
	states := make([]telemetry.ModuleState, len(of))
	for i, status := range of {
		states[i] = telemetry.ModuleState{
			Name: status.Name, Version: status.Version, Kind: status.Kind, State: string(status.State), Restarts: status.Restarts, Wrong: status.Wrong,
		}
	}
	return states
}

func poolState(status pool.Status) telemetry.PoolState {
	return telemetry.PoolState{Lag: max(0, status.RecordRevision-status.PoolRevision), Rows: status.Rows}
}
