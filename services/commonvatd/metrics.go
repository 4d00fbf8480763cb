package main

import (
	"log/slog"
	"path/filepath"
	"time"

	"github.com/commonvat/commonvat/services/internal/catalog"
	"github.com/commonvat/commonvat/services/internal/pool"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// lastBackupFile of a data folder says when it was last backed up.
const lastBackupFile = "last-backup.json"

// committed is what the store tells of its transactions to, or nil when metrics are off.
func committed(told *telemetry.Telemetry) func(changes int, took time.Duration) {
	if told.Metrics() == nil {
		return nil
	}
	return told.Metrics().Committed
}

// observe has metrics look at the store, the modules and the pool from now on, until end. store may be nil, for no data of it.
func observe(told *telemetry.Telemetry, config *serveConfig, store func() telemetry.StoreState, modules *catalog.Catalog, poolStatus func() pool.Status, log *slog.Logger) (end func() error, err error) {
	stop, err := told.Metrics().Observe(telemetry.Sources{
		Store:      store,
		Modules:    func() []telemetry.ModuleState { return moduleStates(modules.Status()) },
		Pool:       func() telemetry.PoolState { return poolState(poolStatus()) },
		BackupFile: filepath.Join(config.data, lastBackupFile), Log: log,
	})
	if err != nil {
		return nil, err
	}
	return func() error { stop(); return nil }, nil
}

func moduleStates(of []catalog.Status) []telemetry.ModuleState {
	states := make([]telemetry.ModuleState, len(of))
	for i, status := range of {
		states[i] = telemetry.ModuleState{
			Name: status.Name, Version: status.Version, Kind: status.Kind, State: string(status.State), Restarts: status.Restarts,
		}
	}
	return states
}

func poolState(status pool.Status) telemetry.PoolState {
	return telemetry.PoolState{Lag: max(0, status.RecordRevision-status.PoolRevision), Rows: status.Rows}
}
