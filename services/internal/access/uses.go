package access

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"sync"
	"time"
)

// uses notes when tokens were last used, to the hour, and keeps that soon after: not on the way of a call, at most once an hour for each
// token, many at a time. Before it is kept a use lives in memory alone, so that a core that is killed loses those of its last minute.
type uses struct {
	keep  func(ctx context.Context, used map[string]time.Time) error
	after time.Duration // how long uses wait for others before they are kept

	mu      sync.Mutex
	waits   map[string]time.Time // by public id
	timer   *time.Timer          // runs while something waits
	closed  bool
	running sync.WaitGroup
}

const (
	keepAfter = time.Minute
	// keepTimeout bounds the keeping; what can't be kept waits as long again.
	keepTimeout = 20 * time.Second
)

func newUses(keep func(ctx context.Context, used map[string]time.Time) error) *uses {
	return &uses{keep: keep, after: keepAfter}
}

func hourOf(t time.Time) int64 { return t.Unix() / 3600 }

// note notes a use of a token. It costs a load when there is nothing to note.
func (u *uses) note(found *standing, id string, now time.Time) {
	hour := hourOf(now)
	if before := found.noted.Load(); hour <= before || !found.noted.CompareAndSwap(before, hour) {
		return
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	if u.waits == nil {
		u.waits = make(map[string]time.Time)
	}
	u.waits[id] = now.UTC().Truncate(time.Hour)
	u.wait()
}

// wait has what waits kept after a while. The caller holds the lock.
func (u *uses) wait() {
	if u.timer == nil && !u.closed {
		u.timer = time.AfterFunc(u.after, u.due)
	}
}

// due keeps what waits, and waits again when that can't be done.
func (u *uses) due() {
	u.mu.Lock()
	u.timer = nil
	if u.closed {
		u.mu.Unlock()
		return
	}
	u.running.Add(1)
	u.mu.Unlock()
	defer u.running.Done()
	ctx, cancel := context.WithTimeout(context.Background(), keepTimeout)
	defer cancel()
	if u.flush(ctx) != nil { // Close reports it, if it lasts
		u.mu.Lock()
		defer u.mu.Unlock()
		u.wait()
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
	if u.timer != nil {
		u.timer.Stop()
	}
	u.mu.Unlock()
	u.running.Wait()
	return u.flush(ctx)
}
