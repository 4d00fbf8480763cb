package sqlite

import (
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/store/storetest"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// Every transaction that became durable is told once, with all changes that shared it.
func TestCommittedIsTold(t *testing.T) {
	var mu sync.Mutex
	groups, changes := 0, 0
	s := newStore(t, Config{Committed: func(n int, took time.Duration) {
		mu.Lock()
		defer mu.Unlock()
		groups++
		changes += n
		assert.Positive(t, took)
		assert.Positive(t, n)
	}})
	mu.Lock()
	groups, changes = 0, 0 // of the members
	mu.Unlock()
	const all = 40
	var running sync.WaitGroup
	for range all {
		running.Go(func() { assert.NoError(t, submit(s, storetest.NewSample("ann"))) })
	}
	running.Wait()
	_, err := s.Change(t.Context(), store.ChangeRequest{Actor: storetest.By("ann"), Now: time.Now(), Apply: func(trial.Records) ([]byte, error) {
		return nil, errors.New("refused")
	}})
	require.ErrorContains(t, err, "refused")
	require.NoError(t, submit(s, storetest.NewSample("ann"))) // the one before is told by then
	mu.Lock()
	defer mu.Unlock()
	assert.Equal(t, all+2, changes, "one that is refused takes part too")
	assert.LessOrEqual(t, groups, all+2)
	assert.Positive(t, groups)
}
