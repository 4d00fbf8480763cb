package telemetry

import (
	"context"
	"strings"
	"sync"
	"time"

	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/metric"
)

// ModuleMetrics count the calls to one build of a module. Nil is off.
type ModuleMetrics struct {
	of     *Metrics
	labels []attribute.KeyValue
	active []metric.AddOption

	mu    sync.RWMutex
	ended map[callEnd][]metric.RecordOption
}

type callEnd struct{ method, outcome string }

// Module are the metrics of calls to one build of a module.
func (m *Metrics) Module(name, version, kind string) *ModuleMetrics {
	if m == nil {
		return nil
	}
	labels := []attribute.KeyValue{
		attribute.String(LabelModule, name), attribute.String(LabelModuleVersion, version), attribute.String(LabelModuleKind, kind),
	}
	return &ModuleMetrics{
		of: m, labels: labels, active: []metric.AddOption{metric.WithAttributeSet(attribute.NewSet(labels...))},
		ended: map[callEnd][]metric.RecordOption{},
	}
}

// CallBegan counts a call in.
func (m *ModuleMetrics) CallBegan() {
	if m != nil {
		m.of.callsActive.Add(context.Background(), 1, m.active...)
	}
}

// CallEnded counts it out: the full method as gRPC has it, one of Outcomes, and how long it took.
func (m *ModuleMetrics) CallEnded(method, outcome string, took time.Duration) {
	if m != nil {
		m.of.callsActive.Add(context.Background(), -1, m.active...)
		m.of.callDuration.Record(context.Background(), took.Seconds(), m.options(callEnd{method, outcome})...)
	}
}

func (m *ModuleMetrics) options(of callEnd) []metric.RecordOption {
	m.mu.RLock()
	options := m.ended[of]
	m.mu.RUnlock()
	if options != nil {
		return options
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if options := m.ended[of]; options != nil {
		return options
	}
	key := of
	if len(m.ended) >= maxModuleSeries {
		key = callEnd{LabelOther, LabelOther}
	}
	labels := append([]attribute.KeyValue{
		attribute.String(LabelRPCMethod, strings.TrimPrefix(key.method, "/")), attribute.String(LabelOutcome, key.outcome),
	}, m.labels...)
	options = []metric.RecordOption{metric.WithAttributeSet(attribute.NewSet(labels...))}
	if key == of { // what is beyond the bound isn't remembered, so that it can't grow for ever
		m.ended[of] = options
	}
	return options
}
