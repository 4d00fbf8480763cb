package access

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"sync"
	"sync/atomic"
	"time"
)

// uses notes when tokens were last used, to the hour, and keeps that now and then: not on the way of a call, at most once an hour
// for each token, many at a time.
type uses struct {
	keep func(ctx context.Context, used map[string]time.Time) error

	since atomic.Int64 // when the oldest that waits was noted: seconds since 1970; 0 when none waits

	mu      sync.Mutex
	waits   map[string]time.Time // by public id
	closed  bool
	running sync.WaitGroup
}

const (
	// keepAfter is how long uses wait for others before they are kept.
	keepAfter = time.Minute
	// keepTimeout bounds the keeping; what can't be kept is noted again at the next use after the hour.
	keepTimeout = 20 * time.Second
)

func hourOf(t time.Time) int64 { return t.Unix() / 3600 }

// note notes a use of a token. It costs two loads when there is nothing to note.
func (u *uses) note(found *standing, id string, now time.Time) {
	hour := hourOf(now)
	if before := found.noted.Load(); hour > before && found.noted.CompareAndSwap(before, hour) {
		u.mu.Lock()
		if u.waits == nil {
			u.waits = make(map[string]time.Time)
		}
		u.waits[id] = now.UTC().Truncate(time.Hour)
		u.mu.Unlock()
		u.since.CompareAndSwap(0, now.Unix())
	}
	if since := u.since.Load(); since != 0 && now.Unix()-since >= int64(keepAfter/time.Second) && u.since.CompareAndSwap(since, 0) {
		u.mu.Lock()
		defer u.mu.Unlock()
		if !u.closed {
			u.running.Go(func() {
				ctx, cancel := context.WithTimeout(context.Background(), keepTimeout)
				defer cancel()
				_ = u.flush(ctx) // what couldn't be kept waits again, and Close reports it
			})
		}
	}
}

// flush keeps what waits. What can't be kept goes on waiting, unless it was noted anew meanwhile.
func (u *uses) flush(ctx context.Context) error {
	u.mu.Lock()
	taken := u.waits
	u.waits = nil
	u.mu.Unlock()
	if len(taken) == 0 {
		return nil
	}
	err := u.keep(ctx, taken)
	if err == nil {
		return nil
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	maps.Copy(taken, u.waits)
	u.waits = taken
	return fmt.Errorf("keep the last uses of tokens: %w", err)
}

// waiting is when a token was used, where that isn't kept yet; else the zero time.
func (u *uses) waiting(id string) time.Time {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.waits[id]
}

func (u *uses) close(ctx context.Context) error {
	u.mu.Lock()
	if u.closed {
		u.mu.Unlock()
		return errors.New("closed twice")
	}
	u.closed = true
	u.mu.Unlock()
	u.running.Wait()
	return u.flush(ctx)
}
