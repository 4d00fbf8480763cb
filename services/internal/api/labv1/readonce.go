package labv1

import (
	"context"
	"errors"
	"sync"
)

var errNotRead = errors.New("reading did not end")

// readOnce keeps what was read while the store is at one revision, so that what many watchers ask for at the same time is read once. With the next
// revision all of it is dropped: nobody gets what was read before a change that they may already know of.
type readOnce[K comparable, V any] struct {
	most int // how many readings are kept; watchers who are far behind each ask for something else

	mu       sync.Mutex
	revision int64
	readings map[K]*reading[V]
}

// reading is what one of those who asked reads for all.
type reading[V any] struct {
	done  chan struct{} // closed when value and err stand
	value V
	err   error
}

// get gives what read gave to the first who asked at this revision, which is that of the store before the call. Callers must not change the value.
// Its error is that of read, or of ctx while another caller reads. An error isn't kept: the next caller reads again.
func (o *readOnce[K, V]) get(ctx context.Context, revision int64, key K, read func() (V, error)) (V, error) {
	for {
		r, first := o.join(revision, key)
		if first {
			return o.fill(key, r, read)
		}
		select {
		case <-r.done:
			if r.err == nil {
				return r.value, nil
			}
		case <-ctx.Done():
			var none V
			return none, ctx.Err()
		}
	}
}

// join gives the reading of a key, and whether the caller is the first and has to read. A caller whose revision is older than the kept one is given what is newer.
func (o *readOnce[K, V]) join(revision int64, key K) (r *reading[V], first bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	if revision > o.revision || o.readings == nil {
		o.revision, o.readings = max(revision, o.revision), map[K]*reading[V]{}
	}
	if r, ok := o.readings[key]; ok {
		return r, false
	}
	if len(o.readings) >= o.most {
		clear(o.readings)
	}
	r = &reading[V]{done: make(chan struct{})}
	o.readings[key] = r
	return r, true
}

func (o *readOnce[K, V]) fill(key K, r *reading[V], read func() (V, error)) (V, error) {
	r.err = errNotRead // should read panic
	defer func() {
		if r.err != nil {
			o.mu.Lock()
			if o.readings[key] == r {
				delete(o.readings, key)
			}
			o.mu.Unlock()
		}
		close(r.done)
	}()
	r.value, r.err = read()
	return r.value, r.err
}
