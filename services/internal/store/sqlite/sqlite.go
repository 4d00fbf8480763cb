package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"

	_ "modernc.org/sqlite" // the driver "sqlite"

	"github.com/commonvat/commonvat/services/internal/store"
)

// Faults of Open.
var (
	// ErrInUse says that another core has the file open.
	ErrInUse = errors.New("store is in use by another process")
	// ErrSchemaNewer says that the file was written by a later version of the program.
	ErrSchemaNewer = errors.New("store was written by a newer version of this program")
	// ErrForeignFile says that the file is a database, but not of ours.
	ErrForeignFile = errors.New("file is not a store of this program")
)

// Defaults of Config.
const (
	// DefaultCacheBytes is what the core gives the cache; a Config without any has none.
	DefaultCacheBytes = 16 << 20
	DefaultGroupSize  = 128
	DefaultQueueSize  = 1024
	DefaultLogLimit   = 64 << 20
	// DefaultRequestRetention is how long an answer can be given again.
	DefaultRequestRetention = 90 * 24 * time.Hour
)

const (
	readConnections  = 4
	busyTimeout      = 5 * time.Second
	journalSizeLimit = DefaultLogLimit
	// checkpointPages is the size of the log, in pages, from which it is carried over into the file.
	checkpointPages = 4000
)

// Config says how to open a store.
type Config struct {
	// Path of the file; required. Its folder is made when it isn't there. "-wal", "-shm" and ".lock" files stand beside it.
	Path string
	// CacheBytes bounds the cache of trial rows; 0 switches it off.
	CacheBytes int
	// GroupSize is how many changes may share one transaction; 0 means DefaultGroupSize.
	GroupSize int
	// QueueSize is how many changes may wait before callers of Change block; 0 means DefaultQueueSize.
	QueueSize int
	// RequestRetention is how long answers are kept for requests sent again; 0 means
	// DefaultRequestRetention, negative for ever.
	RequestRetention time.Duration
	// LogLimit is the size of the write-ahead log, in bytes, from which the writer waits for readers so that it can be
	// carried over and begun anew; 0 means DefaultLogLimit.
	LogLimit int64
	// Logger may be nil: nothing is logged.
	Logger *slog.Logger
	// Committed is told of each transaction of the writer that became durable: how many changes shared it, and how long it took
	// from its beginning. It must not block. May be nil.
	Committed func(changes int, took time.Duration)
}

// Store is an open store; see store.Engine for what it does.
type Store struct {
	reader
	told     func(changes int, took time.Duration) // Config.Committed
	lock     *os.File
	write    *sql.DB
	cache    *rowCache
	logPath  string // of the write-ahead log
	counters counters

	finder       *finder
	finderEnd    context.CancelFunc
	finderEnding sync.WaitGroup

	feed feed

	gate       sync.RWMutex // held for reading while a change is put into the queue
	closed     bool
	queue      chan *job
	writerDone chan struct{}
	closeOnce  sync.Once
	closeErr   error
}

var _ store.Engine = (*Store)(nil)

// Open opens the store, making or migrating it as needed. Errors: ErrInUse,
// ErrSchemaNewer, ErrForeignFile, ErrCorrupt, those of the file system.
func Open(ctx context.Context, config Config) (*Store, error) {
	s, err := open(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open store %s: %w", config.Path, asCorrupt(err))
	}
	return s, nil
}

func open(ctx context.Context, config Config) (_ *Store, err error) {
	if config.Path == "" {
		return nil, errors.New("no path given")
	}
	path, err := filepath.Abs(config.Path)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, err
	}
	if real, err := filepath.EvalSymlinks(path); err == nil {
		path = real // one file has one lock, whatever leads to it
	}
	s := &Store{cache: newRowCache(config.CacheBytes), logPath: path + "-wal", told: config.Committed, finder: newFinder()}
	s.log = config.Logger
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, s.release())
		}
	}()
	if s.lock, err = lockFile(path + ".lock"); err != nil {
		return nil, err
	}
	// Made here rather than by SQLite, so that only the owner can read it; the files beside it take the same mode.
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, err
	}
	if err := file.Close(); err != nil {
		return nil, err
	}

	if s.write, err = sql.Open("sqlite", dsn(path, forWriting)); err != nil {
		return nil, err
	}
	s.write.SetMaxOpenConns(1)
	if err := migrate(ctx, s.write); err != nil {
		return nil, err
	}
	if s.read, err = sql.Open("sqlite", dsn(path, forReading)); err != nil {
		return nil, err
	}
	s.read.SetMaxOpenConns(readConnections)
	s.read.SetMaxIdleConns(readConnections)
	if err := errors.Join(
		assertPragmas(ctx, s.write, 1, forWriting),
		assertPragmas(ctx, s.read, readConnections, forReading),
	); err != nil {
		return nil, err
	}
	if err := s.prepare(ctx); err != nil {
		return nil, err
	}

	groupSize, queueSize := config.GroupSize, config.QueueSize
	if groupSize <= 0 {
		groupSize = DefaultGroupSize
	}
	if queueSize <= 0 {
		queueSize = DefaultQueueSize
	}
	retention := config.RequestRetention
	if retention == 0 {
		retention = DefaultRequestRetention
	}
	s.queue = make(chan *job, queueSize)
	s.writerDone = make(chan struct{})
	w, err := newWriter(ctx, s, groupSize, retention)
	if err != nil {
		return nil, err
	}
	if w.logLimit = config.LogLimit; w.logLimit <= 0 {
		w.logLimit = DefaultLogLimit
	}
	s.feed.start(w.revision)
	go w.run() //nolint:contextcheck // the writer outlives the call that opens the store
	following, end := context.WithCancel(context.WithoutCancel(ctx))
	s.finderEnd = end
	s.finderEnding.Go(func() { s.followFinder(following) })
	return s, nil
}

// Close implements store.Engine.
func (s *Store) Close() error {
	s.closeOnce.Do(func() {
		s.gate.Lock()
		s.closed = true
		close(s.queue)
		s.gate.Unlock()
		<-s.writerDone
		s.feed.stop()
		s.finderEnd()
		s.finderEnding.Wait()
		s.closeErr = s.release()
	})
	return s.closeErr
}

func (s *Store) release() error {
	var errs []error
	if s.read != nil {
		errs = append(errs, s.read.Close())
	}
	if s.write != nil {
		errs = append(errs, s.write.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.Close())
	}
	return errors.Join(errs...)
}

// access is what a handle is for.
type access int

const (
	forWriting     access = iota
	forReading            // beside the writer of this process
	withoutWriting        // of a file that may be another process's
	forCopying            // like withoutWriting, but may write a new file
)

// pragmas are set through the name of the data source, because what is
// executed on a pool reaches only one connection of it.
func pragmas(to access) []pragma {
	list := []pragma{
		{"busy_timeout", fmt.Sprint(busyTimeout.Milliseconds())},
		{"foreign_keys", "1"},
		{"temp_store", "2"}, // memory
		{"trusted_schema", "0"},
		{"cell_size_check", "1"},
	}
	if to == forWriting || to == forReading { // what only a handle that may write can set
		list = append(list,
			pragma{"journal_mode", "wal"},
			pragma{"synchronous", "2"}, // FULL: what was acknowledged survives a power cut
			pragma{"journal_size_limit", fmt.Sprint(journalSizeLimit)},
			pragma{"wal_autocheckpoint", fmt.Sprint(checkpointPages)},
		)
	}
	if to == forReading || to == withoutWriting {
		list = append(list, pragma{"query_only", "1"})
	}
	return list
}

type pragma struct{ name, value string }

func dsn(path string, to access) string {
	query := url.Values{}
	if to == forWriting {
		query.Set("_txlock", "immediate")
	}
	for _, p := range pragmas(to) {
		query.Add("_pragma", p.name+"("+p.value+")")
	}
	if to == withoutWriting || to == forCopying {
		query.Set("mode", "ro")
	}
	return (&url.URL{Scheme: "file", Path: path, RawQuery: query.Encode()}).String()
}

// assertPragmas takes n connections at once and reads back what each has.
func assertPragmas(ctx context.Context, db *sql.DB, n int, to access) error {
	for range n {
		conn, err := db.Conn(ctx)
		if err != nil {
			return err
		}
		defer func() { _ = conn.Close() }() // held until all were looked at, so that they differ
		for _, p := range pragmas(to) {
			var value string
			if err := conn.QueryRowContext(ctx, "PRAGMA "+p.name).Scan(&value); err != nil {
				return fmt.Errorf("pragma %s: %w", p.name, err)
			}
			if value != p.value {
				return fmt.Errorf("pragma %s is %s, must be %s", p.name, value, p.value)
			}
		}
	}
	return nil
}
