package sqlite

import (
	"container/list"
	"sync"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// rowCache keeps the trial rows used last, bounded in bytes.
//
// It never holds what the file no longer says: the writer calls hold with the trials of a group
// before the commit and release after it. Held trials are not in the cache, and
// what was being read when the hold began is not taken in, however late it arrives.
type rowCache struct {
	mu      sync.Mutex
	limit   int
	size    int
	rows    map[trial.ID]*list.Element // of store.TrialRow
	recent  *list.List                 // front is the row used last
	filling map[trial.ID]*fill
	held    map[trial.ID]bool
}

// fill is the reading of one row by one or several readers, to be put into the cache.
type fill struct {
	readers int
	stale   bool
}

// rowOverhead is about what a row takes beside its body.
const rowOverhead = 400

func newRowCache(limit int) *rowCache {
	return &rowCache{
		limit: limit, rows: map[trial.ID]*list.Element{}, recent: list.New(),
		filling: map[trial.ID]*fill{}, held: map[trial.ID]bool{},
	}
}

// get gives a row, or a fill with which to put what was read; nil when it is not to be put.
func (c *rowCache) get(id trial.ID) (row store.TrialRow, ok bool, f *fill) {
	if c.limit <= 0 {
		return row, false, nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if element, found := c.rows[id]; found {
		c.recent.MoveToFront(element)
		return element.Value.(store.TrialRow), true, nil
	}
	if c.held[id] {
		return row, false, nil
	}
	if f = c.filling[id]; f == nil {
		f = &fill{}
		c.filling[id] = f
	}
	f.readers++
	return row, false, f
}

// put ends a fill; row is nil when nothing was found.
func (c *rowCache) put(id trial.ID, f *fill, row *store.TrialRow) {
	if f == nil {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	if f.readers--; f.readers == 0 && !f.stale {
		delete(c.filling, id)
	}
	if row == nil || f.stale || c.rows[id] != nil {
		return
	}
	size := len(row.Body) + rowOverhead
	if size > c.limit {
		return
	}
	c.size += size
	c.rows[id] = c.recent.PushFront(*row)
	for c.size > c.limit {
		c.drop(c.recent.Back().Value.(store.TrialRow).ID)
	}
}

func (c *rowCache) drop(id trial.ID) {
	element, ok := c.rows[id]
	if !ok {
		return
	}
	c.size -= len(element.Value.(store.TrialRow).Body) + rowOverhead
	c.recent.Remove(element)
	delete(c.rows, id)
}

// hold takes rows out and keeps them out until release.
func (c *rowCache) hold(ids []trial.ID) {
	if c.limit <= 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, id := range ids {
		c.held[id] = true
		c.drop(id)
		if f := c.filling[id]; f != nil {
			f.stale = true
			delete(c.filling, id)
		}
	}
}

// release lets rows be cached again.
func (c *rowCache) release(ids []trial.ID) {
	if c.limit <= 0 {
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, id := range ids {
		delete(c.held, id)
	}
}
