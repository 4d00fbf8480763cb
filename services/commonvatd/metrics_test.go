package main

import (
	"reflect"
	"testing"

	"github.com/stretchr/testify/assert"

	"github.com/commonvat/commonvat/services/internal/store/sqlite"
	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// TestEveryFigureOfTheStoreIsTold fails when a figure of the store reaches no metric.
func TestEveryFigureOfTheStoreIsTold(t *testing.T) {
	told := storeState(sqlite.Stats{
		SchemaVersion: 1, QueueDepth: 2, LogBytes: 3, Replays: 4, GroupsLost: 5, BusyErrors: 6, CheckpointsFailed: 7, Damaged: true,
		QueueCapacity: 90, Groups: 91, Changes: 92, // a constant, and what the histograms of commits count
	})
	assert.Equal(t, telemetry.StoreState{Schema: 1, QueueDepth: 2, LogBytes: 3, Replays: 4, GroupsLost: 5, Busy: 6, CheckpointFailures: 7, Damaged: true}, told)
	v := reflect.ValueOf(told)
	for i := range v.NumField() {
		assert.False(t, v.Field(i).IsZero(), v.Type().Field(i).Name)
	}
}
