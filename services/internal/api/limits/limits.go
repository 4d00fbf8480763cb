// Package limits bounds what one member, one address and one connection may ask of the core. A call beyond a bound is
// refused at once and never made to wait: a queue would only move the load into memory.
//
// A limiter counts calls per member and class of method in token buckets, runs questions and watches no more than so
// many at a time, and stops looking up tokens for an address that keeps showing wrong ones.
package limits

import (
	"container/list"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"time"

	"golang.org/x/time/rate"

	"github.com/commonvat/commonvat/services/internal/trial"
)

// The kinds of refusal.
var (
	// ErrRateLimited: the member's calls of this class come too fast.
	ErrRateLimited = errors.New("too many calls")
	// ErrBusy: as many questions run as may at a time.
	ErrBusy = errors.New("too many questions at a time")
	// ErrTooManyWatches: as many watches are open as may be.
	ErrTooManyWatches = errors.New("too many open watches")
)

// Refusal is a call that was refused, with the time after which it is worth making again.
type Refusal struct {
	kind error
	text string
	// RetryAfter is when a call would have been let through, had no other come; 0 when nothing tells.
	RetryAfter time.Duration
}

func (r *Refusal) Error() string { return r.kind.Error() + ": " + r.text }
func (r *Refusal) Unwrap() error { return r.kind }

// Rate is a bucket: PerSecond calls a second in the long run, and Burst at once.
type Rate struct {
	PerSecond float64
	Burst     int
}

// Config is what a limiter allows. The zero value of a field stands for its default.
type Config struct {
	// Rates are per member and class.
	Rates map[Class]Rate
	// Questions run at a time in the whole core, and QuestionsPerMember of them for one member. Each holds columns of the whole
	// pool and keeps a module busy.
	Questions, QuestionsPerMember int
	// Watches are open at a time in the whole core, and WatchesPerMember of them for one member.
	Watches, WatchesPerMember int
	// Failures is how often a wrong token may be shown from one address.
	Failures Rate
	// Members, Addresses and Tokens bound what is remembered; the longest unused is forgotten, and begins with full buckets.
	Members, Addresses, Tokens int
	// Now may be nil, for the wall clock.
	Now func() time.Time
}

// defaultRates leave room for programs that work without a pause on a member's behalf, such as an import, the loading of the
// demo or a test under load. They are there to keep one runaway program from taking the machine from all others, not to price
// calls; whoever runs a core for strangers sets them lower. An import carries up to 500 rows.
var defaultRates = [classes]Rate{
	Read:     {PerSecond: 20_000, Burst: 40_000},
	Write:    {PerSecond: 5_000, Burst: 20_000},
	Import:   {PerSecond: 50, Burst: 400},
	Question: {PerSecond: 20, Burst: 200},
	Watch:    {PerSecond: 5, Burst: 300},
	Steward:  {PerSecond: 5, Burst: 100},
}

// Default is the configuration that an empty one stands for.
func Default() Config { return Config{}.whole() }

func (c Config) whole() Config {
	rates := make(map[Class]Rate, classes)
	for class := Read; class < classes; class++ {
		rates[class] = or(c.Rates[class], defaultRates[class])
	}
	c.Rates = rates
	c.Questions = or(c.Questions, max(4, 2*runtime.GOMAXPROCS(0)))
	c.QuestionsPerMember = or(c.QuestionsPerMember, max(1, c.Questions/2))
	c.Watches = or(c.Watches, 1024)
	c.WatchesPerMember = or(c.WatchesPerMember, 32)
	c.Failures = or(c.Failures, Rate{PerSecond: 1, Burst: 100})
	c.Members = or(c.Members, 4096)
	c.Addresses = or(c.Addresses, 4096)
	c.Tokens = or(c.Tokens, 4096)
	if c.Now == nil {
		c.Now = time.Now
	}
	return c
}

func or[T comparable](value, otherwise T) T {
	var zero T
	if value == zero {
		return otherwise
	}
	return value
}

// check tells every fault of a whole configuration.
func (c Config) check() error {
	var faults []error
	rates := func(name string, r Rate) {
		if !(r.PerSecond > 0) || r.PerSecond > maxPerSecond || r.Burst < 1 || r.Burst > maxBurst {
			faults = append(faults, fmt.Errorf("limit %s: %v calls a second and %d at once is out of range; allowed: above 0 to %d a second, 1 to %d at once",
				name, r.PerSecond, r.Burst, maxPerSecond, maxBurst))
		}
	}
	for class := Read; class < classes; class++ {
		rates(class.String(), c.Rates[class])
	}
	rates("failures", c.Failures)
	for name, n := range map[string]int{
		"questions": c.Questions, "questions-per-member": c.QuestionsPerMember, "watches": c.Watches, "watches-per-member": c.WatchesPerMember,
		"members": c.Members, "addresses": c.Addresses, "tokens": c.Tokens,
	} {
		if n < 1 || n > maxCount {
			faults = append(faults, fmt.Errorf("limit %s: %d is out of range; allowed: 1 to %d", name, n, maxCount))
		}
	}
	return errors.Join(faults...)
}

const (
	maxPerSecond = 1_000_000
	maxBurst     = 10_000_000
	maxCount     = 1_000_000
)

// Limiter decides which calls are let in. It is safe for concurrent use.
type Limiter struct {
	config Config

	mu        sync.Mutex
	members   *recent[trial.MemberID, *usage]
	questions int
	watches   int
	// lasting is what questions have taken lately, as a moving mean: when one of those running may be expected to end.
	lasting time.Duration

	doors
}

// usage is what one member uses. It is kept while the member has a question or a watch open.
type usage struct {
	buckets   [classes]*rate.Limiter
	questions int
	watches   int
}

// New makes a limiter. Errors: every bound that is out of range.
func New(config Config) (*Limiter, error) {
	config = config.whole()
	if err := config.check(); err != nil {
		return nil, err
	}
	l := &Limiter{config: config, members: newRecent[trial.MemberID, *usage](config.Members), lasting: time.Second}
	l.open(config)
	return l, nil
}

func nothing() {}

// Begin lets a member's call in, or refuses it with a *Refusal. Whoever was let in calls end when the call has ended.
func (l *Limiter) Begin(member trial.MemberID, fullMethod string) (end func(), err error) {
	class, _ := ClassOf(fullMethod)
	if class == Exempt {
		return nothing, nil
	}
	now := l.config.Now()
	l.mu.Lock()
	defer l.mu.Unlock()
	used, ok := l.members.get(member)
	if !ok {
		used = &usage{}
		l.members.put(member, used, func(u *usage) bool { return u.questions == 0 && u.watches == 0 })
	}
	// What runs is looked at first, so that a call that is refused for it costs nothing of the bucket.
	switch class {
	case Question:
		if used.questions >= l.config.QuestionsPerMember {
			return nil, &Refusal{ErrBusy, fmt.Sprintf("%d of yours are running; allowed: %d", used.questions, l.config.QuestionsPerMember), l.soon()}
		}
		if l.questions >= l.config.Questions {
			return nil, &Refusal{ErrBusy, fmt.Sprintf("%d are running; allowed: %d", l.questions, l.config.Questions), l.soon()}
		}
	case Watch:
		if used.watches >= l.config.WatchesPerMember {
			return nil, &Refusal{kind: ErrTooManyWatches, text: fmt.Sprintf("%d of yours are open; allowed: %d", used.watches, l.config.WatchesPerMember)}
		}
		if l.watches >= l.config.Watches {
			return nil, &Refusal{kind: ErrTooManyWatches, text: fmt.Sprintf("%d are open; allowed: %d", l.watches, l.config.Watches)}
		}
	}
	allowed := l.config.Rates[class]
	bucket := used.buckets[class]
	if bucket == nil {
		bucket = rate.NewLimiter(rate.Limit(allowed.PerSecond), allowed.Burst)
		used.buckets[class] = bucket
	}
	if !bucket.AllowN(now, 1) {
		missing := 1 - bucket.TokensAt(now)
		return nil, &Refusal{ErrRateLimited, fmt.Sprintf("calls of the class %q; allowed: %g a second, %d at once", class, allowed.PerSecond, allowed.Burst),
			max(time.Duration(missing/allowed.PerSecond*float64(time.Second)), time.Millisecond)}
	}
	switch class {
	case Question:
		used.questions++
		l.questions++
		return sync.OnceFunc(func() { l.questionEnded(used, now) }), nil
	case Watch:
		used.watches++
		l.watches++
		return sync.OnceFunc(func() { l.watchEnded(used) }), nil
	default:
		return nothing, nil
	}
}

// soon is when one of the running questions may be expected to have ended.
func (l *Limiter) soon() time.Duration {
	return min(max(l.lasting/2, 100*time.Millisecond), time.Minute).Round(time.Millisecond)
}

func (l *Limiter) questionEnded(used *usage, began time.Time) {
	took := l.config.Now().Sub(began)
	l.mu.Lock()
	defer l.mu.Unlock()
	used.questions--
	l.questions--
	l.lasting += (took - l.lasting) / 8
}

func (l *Limiter) watchEnded(used *usage) {
	l.mu.Lock()
	defer l.mu.Unlock()
	used.watches--
	l.watches--
}

// recent is a map that keeps no more than so many entries, and forgets those first that were longest not asked for.
type recent[K comparable, V any] struct {
	most    int
	entries map[K]*list.Element
	order   *list.List // of *entry[K, V], the newest first
}

type entry[K comparable, V any] struct {
	key   K
	value V
}

func newRecent[K comparable, V any](most int) *recent[K, V] {
	return &recent[K, V]{most: most, entries: map[K]*list.Element{}, order: list.New()}
}

func (r *recent[K, V]) get(key K) (value V, ok bool) {
	e, ok := r.entries[key]
	if !ok {
		return value, false
	}
	r.order.MoveToFront(e)
	return e.Value.(*entry[K, V]).value, true
}

// put adds an entry that isn't there. Of the old ones the longest unused that may go goes, if there is one too many; may
// can be nil, for all.
func (r *recent[K, V]) put(key K, value V, may func(V) bool) {
	for e := r.order.Back(); e != nil && len(r.entries) >= r.most; {
		old := e.Value.(*entry[K, V])
		before := e.Prev()
		if may == nil || may(old.value) {
			r.order.Remove(e)
			delete(r.entries, old.key)
		}
		e = before
	}
	r.entries[key] = r.order.PushFront(&entry[K, V]{key, value})
}
