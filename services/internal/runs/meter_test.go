package runs_test

import (
	"context"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// counter counts as metrics do.
type counter struct {
	mu    sync.Mutex
	rows  int
	ended map[string]int
}

func (c *counter) RunEnded(state string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.ended[state]++
}

func (c *counter) RowsScored(rows int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.rows += rows
}

func (c *counter) so(t *testing.T, rows int, ended map[string]int) {
	t.Helper()
	c.mu.Lock()
	defer c.mu.Unlock()
	assert.Equal(t, rows, c.rows)
	assert.Equal(t, ended, c.ended)
	for state := range c.ended {
		assert.Contains(t, telemetry.RunEnds(), state)
	}
}

// Every end of a run counts once by how it ended, and every row that is scored once for each module.
func TestRunsAreCounted(t *testing.T) {
	l := begin(t)
	l.stop()
	c := &counter{ended: map[string]int{}}
	l.config.Meter = c
	l.start()
	m := l.shelf.put(t, spread("old", 1), "a")
	l.shelf.put(t, spread("new", 2), "b")
	m.before = func(_ context.Context, call int) {
		if call == 3 {
			m.set(func() { m.digest = "c" + m.digest[1:] })
		}
	}
	id := l.create("old", "new")
	l.until(id, interrupted)
	l.stop() // so that the end is counted too
	c.so(t, 3*40, map[string]int{"interrupted": 1})
	l.start()
	_, err := l.Resume(t.Context(), rosa, id, "")
	require.NoError(t, err)
	l.until(id, done)
	bad := spread("bad", 1)
	bad.Ages = true // which the columns don't have
	l.shelf.put(t, bad, "d")
	l.until(l.create("bad"), failed)
	reached, hold := make(chan struct{}), make(chan struct{})
	m.set(func() {
		m.before = func(context.Context, int) { close(reached); <-hold }
	})
	last := l.create("old")
	<-reached
	m.set(func() { m.before = nil })
	cancelling := make(chan error, 1)
	go func() {
		_, err := l.Cancel(t.Context(), rosa, last, "enough")
		cancelling <- err
	}()
	close(hold)
	require.NoError(t, <-cancelling)
	l.until(last, cancelled)
	l.withdraw(l.trials[2])
	_, err = l.Get(t.Context(), id)
	require.NoError(t, err)
	l.stop()
	c.mu.Lock()
	defer c.mu.Unlock()
	assert.Equal(t, map[string]int{"interrupted": 2, "done": 1, "failed": 1, "cancelled": 1}, c.ended, "what is done and loses rows is interrupted")
	assert.GreaterOrEqual(t, c.rows, 3*40+2*480)
}
