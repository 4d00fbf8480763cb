package telemetry

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlpmetric/otlpmetricgrpc"
	"go.opentelemetry.io/otel/metric"
	sdkmetric "go.opentelemetry.io/otel/sdk/metric"
	"go.opentelemetry.io/otel/sdk/metric/exemplar"
	"go.opentelemetry.io/otel/sdk/resource"
)

const (
	// maxReasons and maxModuleSeries bound what labels can add up to, should a value ever come from elsewhere than the
	// closed lists; what is beyond is counted as LabelOther.
	maxReasons      = 64
	maxModuleSeries = 256
	// cardinalityLimit is the most series of one metric that are kept, as the last bound of all.
	cardinalityLimit = 4000
)

// The bounds of histograms. Calls on loopback take tenths of a millisecond, and questions of the pool minutes.
var (
	durationBounds = []float64{.0005, .001, .0025, .005, .01, .025, .05, .1, .25, .5, 1, 2.5, 5, 10, 30, 60, 120}
	changesBounds  = []float64{1, 2, 4, 8, 16, 32, 64, 128, 256}
)

// startMetrics starts the exporters that are asked for, and the instruments.
func (t *Telemetry) startMetrics(ctx context.Context, config Config, res *resource.Resource) error {
	var readers []sdkmetric.Reader
	if config.MetricsListen != "" {
		if disabled(config.Getenv) {
			return errors.New("metrics are to be listened for at " + config.MetricsListen + ", and OTEL_SDK_DISABLED=true; one must go")
		}
		pulled, reader, err := newPull(ctx, config.MetricsListen, config.Log)
		if err != nil {
			return err
		}
		t.pull = pulled
		readers = append(readers, reader)
	}
	if MetricsConfigured(config.Getenv) {
		exporter, err := otlpmetricgrpc.New(ctx)
		if err != nil {
			return fmt.Errorf("start metric exporter: %w", err)
		}
		readers = append(readers, sdkmetric.NewPeriodicReader(exporter))
	}
	if err := t.measure(config.Version, res, readers...); err != nil { //nolint:contextcheck // what is observed has contexts of its own
		return err
	}
	if t.pull != nil {
		t.pull.serve()
	}
	return nil
}

// measure makes the provider and the instruments, for readers to collect from.
func (t *Telemetry) measure(version string, res *resource.Resource, readers ...sdkmetric.Reader) error {
	options := []sdkmetric.Option{
		sdkmetric.WithView(closed()), sdkmetric.WithCardinalityLimit(cardinalityLimit), sdkmetric.WithExemplarFilter(exemplar.AlwaysOffFilter),
	}
	if res != nil {
		options = append(options, sdkmetric.WithResource(res))
	}
	for _, reader := range readers {
		options = append(options, sdkmetric.WithReader(reader))
	}
	t.meters = sdkmetric.NewMeterProvider(options...)
	var err error
	t.metrics, err = newMetrics(t.meters, version)
	return err
}

// closed lets through the instruments of the list and their labels, and nothing else: what a library adds on its own
// account, such as the address of a socket, stops here.
func closed() sdkmetric.View {
	known := map[string]Instrument{}
	for _, instrument := range Instruments() {
		known[instrument.Name] = instrument
	}
	return func(i sdkmetric.Instrument) (sdkmetric.Stream, bool) {
		instrument, ok := known[i.Name]
		switch {
		case !ok:
			return sdkmetric.Stream{Name: i.Name, Aggregation: sdkmetric.AggregationDrop{}}, true
		case i.Name != MetricServerCallDuration: // ours have only what is given to them in this package
			return sdkmetric.Stream{}, false
		}
		keys := make([]attribute.Key, len(instrument.Labels))
		for n, label := range instrument.Labels {
			keys[n] = attribute.Key(label)
		}
		return sdkmetric.Stream{
			Name: i.Name, Description: instrument.Text, Unit: i.Unit, AttributeFilter: attribute.NewAllowKeysFilter(keys...),
			Aggregation: sdkmetric.AggregationExplicitBucketHistogram{Boundaries: durationBounds},
		}, true
	}
}

// Metrics are the instruments that are told of what happens. A nil *Metrics is off: its methods do nothing, and cost nothing to speak of.
type Metrics struct {
	meter metric.Meter

	refusals        metric.Int64Counter
	unauthenticated metric.Int64Counter
	rateRefusals    metric.Int64Counter
	callDuration    metric.Float64Histogram
	callsActive     metric.Int64UpDownCounter
	runsEnded       metric.Int64Counter
	runsRows        metric.Int64Counter
	commitDuration  metric.Float64Histogram
	commitChanges   metric.Int64Histogram

	mu      sync.RWMutex
	reasons map[string][]metric.AddOption
}

// Metrics are the instruments, or nil when metrics are off.
func (t *Telemetry) Metrics() *Metrics { return t.metrics }

func newMetrics(provider metric.MeterProvider, version string) (*Metrics, error) {
	k := maker{meter: provider.Meter(scope)}
	m := &Metrics{
		meter: k.meter, reasons: map[string][]metric.AddOption{},
		refusals: k.counter(MetricRefusals), unauthenticated: k.counter(MetricUnauthenticated), rateRefusals: k.counter(MetricRateRefusals),
		callDuration: k.seconds(MetricModuleCallDuration), callsActive: k.upDown(MetricModuleCallsActive),
		runsEnded: k.counter(MetricRunsEnded), runsRows: k.counter(MetricRunsRows),
		commitDuration: k.seconds(MetricStoreCommitDuration), commitChanges: k.changes(MetricStoreCommitChanges),
	}
	k.observe(observeProcess(&k, version))
	if err := errors.Join(k.errs...); err != nil {
		return nil, fmt.Errorf("make metrics: %w", err)
	}
	// They are there from the start, so that the first one shows as a step and not as something new.
	m.unauthenticated.Add(context.Background(), 0)
	m.rateRefusals.Add(context.Background(), 0)
	m.runsRows.Add(context.Background(), 0)
	for _, state := range RunEnds() {
		m.runsEnded.Add(context.Background(), 0, inState(state))
	}
	return m, nil
}

// maker makes instruments as Instruments describes them, and collects what goes wrong.
type maker struct {
	meter metric.Meter
	made  []metric.Observable
	errs  []error
}

func (k *maker) said(name string) (unit, text metric.InstrumentOption) {
	all := Instruments()
	i := slices.IndexFunc(all, func(i Instrument) bool { return i.Name == name })
	if i < 0 {
		k.errs = append(k.errs, fmt.Errorf("%s is not in the list of instruments", name))
		return metric.WithUnit(""), metric.WithDescription("")
	}
	return metric.WithUnit(all[i].Unit), metric.WithDescription(all[i].Text)
}

func (k *maker) counter(name string) metric.Int64Counter {
	unit, text := k.said(name)
	made, err := k.meter.Int64Counter(name, unit, text)
	k.errs = append(k.errs, err)
	return made
}

func (k *maker) upDown(name string) metric.Int64UpDownCounter {
	unit, text := k.said(name)
	made, err := k.meter.Int64UpDownCounter(name, unit, text)
	k.errs = append(k.errs, err)
	return made
}

func (k *maker) seconds(name string) metric.Float64Histogram {
	unit, text := k.said(name)
	made, err := k.meter.Float64Histogram(name, unit, text, metric.WithExplicitBucketBoundaries(durationBounds...))
	k.errs = append(k.errs, err)
	return made
}

func (k *maker) changes(name string) metric.Int64Histogram {
	unit, text := k.said(name)
	made, err := k.meter.Int64Histogram(name, unit, text, metric.WithExplicitBucketBoundaries(changesBounds...))
	k.errs = append(k.errs, err)
	return made
}

func (k *maker) gauge(name string) metric.Int64ObservableGauge {
	unit, text := k.said(name)
	made, err := k.meter.Int64ObservableGauge(name, unit, text)
	k.errs, k.made = append(k.errs, err), append(k.made, made)
	return made
}

func (k *maker) secondsNow(name string) metric.Float64ObservableGauge {
	unit, text := k.said(name)
	made, err := k.meter.Float64ObservableGauge(name, unit, text)
	k.errs, k.made = append(k.errs, err), append(k.made, made)
	return made
}

func (k *maker) counted(name string) metric.Int64ObservableCounter {
	unit, text := k.said(name)
	made, err := k.meter.Int64ObservableCounter(name, unit, text)
	k.errs, k.made = append(k.errs, err), append(k.made, made)
	return made
}

func (k *maker) sum(name string) metric.Int64ObservableUpDownCounter {
	unit, text := k.said(name)
	made, err := k.meter.Int64ObservableUpDownCounter(name, unit, text)
	k.errs, k.made = append(k.errs, err), append(k.made, made)
	return made
}

// observe has a callback observe all that was made for observing.
func (k *maker) observe(callback metric.Callback) {
	if len(k.errs) > 0 && errors.Join(k.errs...) != nil {
		return
	}
	_, err := k.meter.RegisterCallback(callback, k.made...)
	k.errs = append(k.errs, err)
}

// Refused counts a call that ended with a fault, by the reason that the caller is told.
func (m *Metrics) Refused(ctx context.Context, reason string) {
	if m == nil {
		return
	}
	m.refusals.Add(ctx, 1, m.reason(reason)...)
}

func (m *Metrics) reason(reason string) []metric.AddOption {
	m.mu.RLock()
	options := m.reasons[reason]
	m.mu.RUnlock()
	if options != nil {
		return options
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if options := m.reasons[reason]; options != nil {
		return options
	}
	if len(m.reasons) >= maxReasons {
		reason = LabelOther
	}
	options = []metric.AddOption{metric.WithAttributeSet(attribute.NewSet(attribute.String(LabelReason, reason)))}
	m.reasons[reason] = options // what is beyond isn't remembered, so that this can't grow for ever
	return options
}

// Unauthenticated counts a call without a valid token.
func (m *Metrics) Unauthenticated(ctx context.Context) {
	if m != nil {
		m.unauthenticated.Add(ctx, 1)
	}
}

// RateLimited counts a call that was refused because its member, or its address, made too many.
func (m *Metrics) RateLimited(ctx context.Context) {
	if m != nil {
		m.rateRefusals.Add(ctx, 1)
	}
}

// RunEnded counts a run of scoring that ended, by its state: one of RunEnds.
func (m *Metrics) RunEnded(state string) {
	if m == nil {
		return
	}
	if !slices.Contains(RunEnds(), state) {
		state = LabelOther
	}
	m.runsEnded.Add(context.Background(), 1, inState(state))
}

func inState(state string) metric.AddOption {
	return metric.WithAttributeSet(attribute.NewSet(attribute.String(LabelRunState, state)))
}

// RowsScored counts rows that a module has scored for a run, and whose scores are kept.
func (m *Metrics) RowsScored(rows int) {
	if m != nil {
		m.runsRows.Add(context.Background(), int64(rows))
	}
}

// Committed notes a transaction of the writer that became durable: how many changes shared it, and how long it took from its beginning.
func (m *Metrics) Committed(changes int, took time.Duration) {
	if m != nil {
		m.commitDuration.Record(context.Background(), took.Seconds())
		m.commitChanges.Record(context.Background(), int64(changes))
	}
}

// endMetrics collects and exports a last time, within ctx, and ends the listener.
func (t *Telemetry) endMetrics(ctx context.Context) error {
	var errs []error
	if t.pull != nil {
		errs = append(errs, t.pull.close())
	}
	if t.meters != nil {
		if err := t.meters.Shutdown(ctx); err != nil {
			errs = append(errs, fmt.Errorf("export the last metrics: %w", err))
		}
	}
	return errors.Join(errs...)
}
