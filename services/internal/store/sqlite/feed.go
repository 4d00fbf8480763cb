package sqlite

import (
	"context"
	"fmt"
	"sync"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// feed tells those who wait that there is a new revision.
type feed struct {
	mu       sync.Mutex
	revision int64
	changed  chan struct{} // closed at the next revision
	stopped  bool
}

func (f *feed) start(revision int64) {
	f.revision = revision
	f.changed = make(chan struct{})
}

func (f *feed) publish(revision int64) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if revision == f.revision {
		return
	}
	f.revision = revision
	close(f.changed)
	f.changed = make(chan struct{})
}

func (f *feed) stop() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.stopped = true
	close(f.changed)
}

// Revision implements store.Feed.
func (s *Store) Revision() int64 {
	s.feed.mu.Lock()
	defer s.feed.mu.Unlock()
	return s.feed.revision
}

// WaitForChange implements store.Feed.
func (s *Store) WaitForChange(ctx context.Context, after int64) error {
	for {
		s.feed.mu.Lock()
		revision, changed, stopped := s.feed.revision, s.feed.changed, s.feed.stopped
		s.feed.mu.Unlock()
		switch {
		case revision > after:
			return nil
		case stopped:
			return fmt.Errorf("%w: closing", store.ErrUnavailable)
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// The inner query finds the revision of the last row within the limit; all
// rows of that revision are given.
const changesAfterSQL = `
SELECT revision, kind, record_kind, record_id, by_member, at FROM feed
WHERE revision > ?1 AND revision <= coalesce(
  (SELECT revision FROM feed WHERE revision > ?1 ORDER BY revision, place LIMIT 1 OFFSET ?2), 9223372036854775807)
ORDER BY revision, place`

// Changes implements store.Feed.
func (s *reader) Changes(ctx context.Context, after int64, limit int) ([]trial.Change, error) {
	if err := checkLimit(limit); err != nil {
		return nil, err
	}
	rows, err := s.changesAfter.QueryContext(ctx, after, limit-1)
	if err != nil {
		return nil, s.readFault(ctx, err)
	}
	defer func() { _ = rows.Close() }()
	var changes []trial.Change
	for rows.Next() {
		var c trial.Change
		var id []byte
		if err := rows.Scan(&c.Revision, &c.Kind, &c.RecordKind, &id, &c.ByMember, &c.At); err != nil {
			return nil, s.readFault(ctx, err)
		}
		c.RecordID = idOf(id)
		changes = append(changes, c)
	}
	return changes, s.readFault(ctx, rows.Err())
}
