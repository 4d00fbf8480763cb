package telemetry

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"runtime/metrics"
	"sync"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
)

// StoreState is what a store is at. All but the queue, the log and the schema count from when it was opened.
type StoreState struct {
	QueueDepth         int   // changes that wait for the writer
	LogBytes           int64 // of the write-ahead log
	CheckpointFailures int64
	Busy               int64 // statements that found the database locked
	Replays            int64 // requests that got their first answer again
	GroupsLost         int64 // transactions that failed, whose changes were then tried each by itself
	Damaged            bool  // changes are refused
	Schema             int64
}

// ModuleState is what an active module is at.
type ModuleState struct {
	Name, Version, Kind string
	State               string // one of ModuleStates
	Restarts            int    // starts after the first
}

// PoolState is how far the pool has come.
type PoolState struct {
	Lag  int64 // revisions of the record that it hasn't taken in
	Rows int
}

// Sources are asked whenever metrics are collected, each by one goroutine at a time. They must answer at once, from memory or a
// look at a file's size. One that is nil has no data.
type Sources struct {
	Store   func() StoreState
	Modules func() []ModuleState
	Pool    func() PoolState
	// BackupFile is what says when the last backup was made: JSON with the field "time" (RFC 3339). While it isn't there or can't be
	// read there is no age, which is what to be alarmed by.
	BackupFile string
	// Now may be nil, for the wall clock.
	Now func() time.Time
	// Log takes it when the backup file can't be read. Required with BackupFile.
	Log *slog.Logger
}

// Observe has the sources asked from now on. end asks them a last time and keeps what they said, so that they may close after it and the
// last export still tells. It is safe to call end more than once.
func (m *Metrics) Observe(sources Sources) (end func(), err error) {
	if m == nil {
		return func() {}, nil
	}
	if sources.Now == nil {
		sources.Now = time.Now
	}
	o := &observer{sources: sources}
	k := maker{meter: m.meter}
	var gauges struct {
		queue, log, schema, damaged, state, lag, rows metric.Int64ObservableGauge
		failures, busy, replays, lost, restarts       metric.Int64ObservableCounter
		age                                           metric.Float64ObservableGauge
	}
	g := &gauges
	g.queue, g.log, g.schema = k.gauge(MetricStoreQueue), k.gauge(MetricStoreLogSize), k.gauge(MetricStoreSchema)
	g.failures, g.busy, g.replays = k.counted(MetricStoreCheckpointFailures), k.counted(MetricStoreBusy), k.counted(MetricStoreReplays)
	g.lost, g.damaged = k.counted(MetricStoreGroupsLost), k.gauge(MetricStoreDamaged)
	g.state, g.restarts = k.gauge(MetricModuleState), k.counted(MetricModuleRestarts)
	g.lag, g.rows = k.gauge(MetricPoolLag), k.gauge(MetricPoolRows)
	g.age = k.secondsNow(MetricBackupAge)
	k.observe(func(_ context.Context, to metric.Observer) error {
		seen := o.look()
		if s := seen.store; s != nil {
			to.ObserveInt64(g.queue, int64(s.QueueDepth))
			to.ObserveInt64(g.log, s.LogBytes)
			to.ObserveInt64(g.schema, s.Schema)
			to.ObserveInt64(g.failures, s.CheckpointFailures)
			to.ObserveInt64(g.busy, s.Busy)
			to.ObserveInt64(g.replays, s.Replays)
			to.ObserveInt64(g.lost, s.GroupsLost)
			to.ObserveInt64(g.damaged, oneIf(s.Damaged))
		}
		for _, module := range seen.modules {
			labels := []attribute.KeyValue{
				attribute.String(LabelModule, module.Name), attribute.String(LabelModuleVersion, module.Version), attribute.String(LabelModuleKind, module.Kind),
			}
			to.ObserveInt64(g.restarts, int64(module.Restarts), metric.WithAttributes(labels...))
			for _, state := range ModuleStates() {
				to.ObserveInt64(g.state, oneIf(state == module.State), metric.WithAttributes(append([]attribute.KeyValue{attribute.String(LabelModuleState, state)}, labels...)...))
			}
		}
		if p := seen.pool; p != nil {
			to.ObserveInt64(g.lag, p.Lag)
			to.ObserveInt64(g.rows, int64(p.Rows))
		}
		if !seen.backup.IsZero() {
			to.ObserveFloat64(g.age, max(0, sources.Now().Sub(seen.backup).Seconds()))
		}
		return nil
	})
	if err := errors.Join(k.errs...); err != nil {
		return nil, fmt.Errorf("observe metrics: %w", err)
	}
	return o.end, nil
}

func oneIf(so bool) int64 {
	if so {
		return 1
	}
	return 0
}

// observer asks the sources, one collection at a time.
type observer struct {
	sources Sources

	mu      sync.Mutex
	last    *seen  // not nil after end
	trouble string // with the backup file, as it was logged
}

// seen is what the sources said.
type seen struct {
	store   *StoreState
	modules []ModuleState
	pool    *PoolState
	backup  time.Time
}

func (o *observer) look() seen {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last != nil {
		return *o.last
	}
	return o.ask()
}

func (o *observer) end() {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.last == nil {
		last := o.ask()
		o.last = &last
	}
}

func (o *observer) ask() seen {
	var s seen
	if o.sources.Store != nil {
		state := o.sources.Store()
		s.store = &state
	}
	if o.sources.Modules != nil {
		s.modules = o.sources.Modules()
	}
	if o.sources.Pool != nil {
		state := o.sources.Pool()
		s.pool = &state
	}
	if o.sources.BackupFile != "" {
		made, err := backedUp(o.sources.BackupFile)
		switch {
		case err == nil:
			s.backup, o.trouble = made, ""
		case errors.Is(err, fs.ErrNotExist):
			o.trouble = ""
		case o.trouble != err.Error(): // not every time
			o.trouble = err.Error()
			o.sources.Log.Warn("age of the last backup is not known", FieldError, o.trouble)
		}
	}
	return s
}

// maxBackupFile bounds what is read of a file that should have a few hundred bytes.
const maxBackupFile = 64 << 10

// backedUp reads when the last backup was made.
func backedUp(path string) (time.Time, error) {
	file, err := os.Open(path)
	if err != nil {
		return time.Time{}, err
	}
	defer func() { _ = file.Close() }() // only read
	text, err := io.ReadAll(io.LimitReader(file, maxBackupFile))
	if err != nil {
		return time.Time{}, err
	}
	var last struct {
		Time time.Time `json:"time"`
	}
	if err := json.Unmarshal(text, &last); err != nil {
		return time.Time{}, fmt.Errorf("%s: %w", path, err)
	}
	if last.Time.IsZero() {
		return time.Time{}, fmt.Errorf("%s: field time is missing; wanted: a time by RFC 3339", path)
	}
	return last.Time, nil
}

// The samples of runtime/metrics that go.memory.used is made of, by its definition in the OpenTelemetry semantic conventions for Go:
// stack is /memory/classes/heap/stacks, other is the total less what was released and less the stacks.
const (
	sampleTotal    = "/memory/classes/total:bytes"
	sampleReleased = "/memory/classes/heap/released:bytes"
	sampleStacks   = "/memory/classes/heap/stacks:bytes"
	sampleRoutines = "/sched/goroutines:goroutines"
)

// observeProcess makes what is known of the process itself.
func observeProcess(k *maker, version string) metric.Callback {
	begun := time.Now()
	build, goroutines, memory := k.gauge(MetricBuild), k.sum(MetricGoroutines), k.sum(MetricMemory)
	uptime := k.secondsNow(MetricUptime)
	of := func(kind, value string) metric.MeasurementOption {
		return metric.WithAttributeSet(attribute.NewSet(attribute.String(kind, value)))
	}
	thisVersion, stack, other := of(LabelVersion, version), of(LabelMemoryType, "stack"), of(LabelMemoryType, "other")
	return func(_ context.Context, to metric.Observer) error {
		samples := []metrics.Sample{{Name: sampleTotal}, {Name: sampleReleased}, {Name: sampleStacks}, {Name: sampleRoutines}}
		metrics.Read(samples)
		var read [4]int64
		for i, sample := range samples {
			if sample.Value.Kind() == metrics.KindUint64 { // a later Go may know it no more
				read[i] = int64(sample.Value.Uint64())
			}
		}
		to.ObserveInt64(build, 1, thisVersion)
		to.ObserveInt64(goroutines, read[3])
		to.ObserveInt64(memory, read[2], stack)
		to.ObserveInt64(memory, read[0]-read[1]-read[2], other)
		to.ObserveFloat64(uptime, time.Since(begun).Seconds())
		return nil
	}
}
