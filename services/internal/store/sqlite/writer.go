package sqlite

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"runtime/debug"
	"sync/atomic"
	"time"

	lib "modernc.org/sqlite/lib"

	"github.com/commonvat/commonvat/services/internal/store"
	"github.com/commonvat/commonvat/services/internal/trial"
)

// job is a change on its way through the writer.
type job struct {
	ctx     context.Context
	request store.ChangeRequest
	// apply is request.Apply, or a change of what isn't a record.
	apply     func(*change) ([]byte, error)
	requestID []byte // 16 bytes, or nil
	begun     atomic.Bool
	answer    chan answer // has room for the one answer
}

type answer struct {
	result store.ChangeResult
	err    error
}

// Change implements store.Changer.
func (s *Store) Change(ctx context.Context, request store.ChangeRequest) (store.ChangeResult, error) {
	var requestID []byte
	if request.RequestID != "" {
		id, err := mustID("request_id", request.RequestID)
		if err != nil {
			return store.ChangeResult{}, err
		}
		requestID = id[:]
	}
	if err := checkActor(request.Actor); err != nil {
		return store.ChangeResult{}, err
	}
	request.Now = request.Now.UTC().Truncate(time.Microsecond)
	return s.submit(ctx, &job{
		ctx: ctx, request: request, requestID: requestID, answer: make(chan answer, 1),
		apply: func(c *change) ([]byte, error) { return request.Apply(c) },
	})
}

// checkActor refuses a change of which the feed and the audit trail couldn't say who made it, and by what.
func checkActor(by store.Actor) error {
	switch {
	case by.Member == "":
		return &trial.FieldFault{Field: "actor.member", Text: "is empty"}
	case by.Method == "":
		return &trial.FieldFault{Field: "actor.method", Text: "is empty"}
	}
	return nil
}

func (s *Store) submit(ctx context.Context, j *job) (store.ChangeResult, error) {
	if err := ctx.Err(); err != nil {
		return store.ChangeResult{}, err
	}
	if err := s.enqueue(ctx, j); err != nil {
		return store.ChangeResult{}, err
	}
	select {
	case a := <-j.answer:
		return a.result, a.err
	case <-ctx.Done():
		// An answer that is there already counts.
		select {
		case a := <-j.answer:
			return a.result, a.err
		default:
			return store.ChangeResult{}, ctx.Err()
		}
	}
}

func (s *Store) enqueue(ctx context.Context, j *job) error {
	s.gate.RLock()
	defer s.gate.RUnlock()
	if s.closed {
		return fmt.Errorf("%w: closing", store.ErrUnavailable)
	}
	select {
	case s.queue <- j:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-s.writerDone:
		return fmt.Errorf("%w: the writer has ended", store.ErrUnavailable)
	}
}

// writer owns the connection that writes. All of it runs on one goroutine.
type writer struct {
	store      *Store
	conn       *sql.Conn
	statements map[string]*sql.Stmt
	groupSize  int
	retention  time.Duration

	delta    deltaEncoder
	logLimit int64
	// forcedWait bounds how long changes wait for the reads under way while the log is carried over by force.
	forcedWait time.Duration
	// forceAfter is when the log may be carried over by force again, after that failed.
	forceAfter time.Time

	revision int64 // of the last durable change
	audit    auditHead
	codes    uint64 // piece codes given out, durable
	newest   time.Time
	idleWork bool // something was written since the writer was last idle
}

// idleAfter is how long nothing must arrive before the writer tidies up.
const idleAfter = 500 * time.Millisecond

func newWriter(ctx context.Context, s *Store, groupSize int, retention time.Duration) (*writer, error) {
	conn, err := s.write.Conn(ctx)
	if err != nil {
		return nil, err
	}
	w := &writer{store: s, conn: conn, statements: map[string]*sql.Stmt{}, groupSize: groupSize, retention: retention, forcedWait: defaultForcedWait}
	err = conn.QueryRowContext(ctx, "SELECT revision, piece_codes FROM counters").Scan(&w.revision, &w.codes)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("read counters: %w", err), conn.Close())
	}
	var chain []byte
	err = conn.QueryRowContext(ctx, "SELECT seq, chain FROM audit ORDER BY seq DESC LIMIT 1").Scan(&w.audit.sequence, &chain)
	if err != nil && !errors.Is(err, sql.ErrNoRows) {
		return nil, errors.Join(fmt.Errorf("read end of audit trail: %w", err), conn.Close())
	}
	copy(w.audit.chain[:], chain)
	return w, nil
}

// run takes what waits in the queue in groups, until the queue is closed and empty.
func (w *writer) run() {
	var group []*job
	finished := false
	defer func() {
		if !finished { // an Apply ended this goroutine (runtime.Goexit); nobody may be left waiting
			w.abandon(group)
		}
		w.close()
		close(w.store.writerDone)
	}()
	idle := time.NewTimer(idleAfter)
	defer idle.Stop()
	for {
		group = group[:0]
		select {
		case j, open := <-w.store.queue:
			if !open {
				finished = true
				return
			}
			group = append(group, j)
		case <-idle.C:
			w.tidy()
			continue
		}
	collect:
		for len(group) < w.groupSize {
			select {
			case j, open := <-w.store.queue:
				if !open {
					break collect // seen again by the outer loop
				}
				group = append(group, j)
			default:
				break collect
			}
		}
		w.runGroup(group)
		clear(group)
		w.boundLog()
		idle.Reset(idleAfter)
	}
}

// runGroup makes the changes durable together; if that can't be done, each by itself.
func (w *writer) runGroup(group []*job) {
	if w.store.damaged.Load() {
		for _, j := range group {
			j.answer <- answer{err: fmt.Errorf("%w: %w", store.ErrUnavailable, ErrCorrupt)}
		}
		return
	}
	answers, err := w.attempt(group)
	if err == nil {
		w.store.counters.groups.Add(1)
		for i, j := range group {
			j.answer <- answers[i]
		}
		return
	}
	if resultCode(err)&0xff == lib.SQLITE_BUSY {
		w.store.counters.busyErrors.Add(1)
	}
	err = w.store.noted(err)
	if len(group) == 1 {
		group[0].answer <- answer{err: err}
		return
	}
	w.store.counters.groupsLost.Add(1)
	w.store.log.Warn("group of changes lost, each is tried alone", "changes", len(group), "error", err)
	for i := range group {
		w.runGroup(group[i : i+1])
	}
}

// group is the transaction that several changes share.
type group struct {
	revision int64
	codes    uint64
	audit    auditHead
	trials   []trial.ID // put by its changes
	wrote    bool
}

// attempt runs the changes in one transaction. An error means that nothing of any is durable.
func (w *writer) attempt(jobs []*job) ([]answer, error) {
	var began time.Time
	if w.store.told != nil {
		began = time.Now()
	}
	if err := w.exec("BEGIN IMMEDIATE"); err != nil {
		return nil, fault(err)
	}
	g := &group{revision: w.revision, codes: w.codes, audit: w.audit}
	answers := make([]answer, len(jobs))
	for i, j := range jobs {
		if !j.begun.Load() {
			if err := j.ctx.Err(); err != nil {
				answers[i].err = err
				continue
			}
			j.begun.Store(true)
		}
		var lost bool
		if answers[i], lost = w.runOne(g, j); lost {
			w.rollback()
			return nil, answers[i].err
		}
	}
	if g.revision != w.revision || g.codes != w.codes {
		if err := w.exec("UPDATE counters SET revision = ?, piece_codes = ?", g.revision, int64(g.codes)); err != nil {
			w.rollback()
			return nil, fault(err)
		}
	}
	w.store.cache.hold(g.trials)
	defer w.store.cache.release(g.trials)
	w.beforeCommit(jobs, answers)
	if err := w.exec("COMMIT"); err != nil {
		w.rollback()
		return nil, fault(err)
	}
	w.revision, w.codes, w.audit = g.revision, g.codes, g.audit
	for i := range answers {
		w.count(&answers[i])
	}
	w.idleWork = w.idleWork || g.wrote
	w.store.feed.publish(g.revision)
	if w.store.told != nil {
		w.store.told(len(jobs), time.Since(began))
	}
	return answers, nil
}

func (w *writer) count(a *answer) {
	switch {
	case a.err != nil:
	case a.result.Replayed:
		w.store.counters.replays.Add(1)
	default:
		w.store.counters.changes.Add(1)
	}
}

// runOne runs one change in a savepoint of its own. lost: the transaction is not to be trusted any more.
func (w *writer) runOne(g *group, j *job) (a answer, lost bool) {
	if err := w.exec("SAVEPOINT change"); err != nil {
		return answer{err: fault(err)}, true
	}
	c := &change{writer: w, group: g, request: &j.request}
	before := *g
	a.result, a.err = w.answerOf(c, j)
	c.ended = true
	if losesGroup(c.failure) || losesGroup(a.err) {
		return answer{err: fault(errors.Join(c.failure, a.err))}, true
	}
	if a.err != nil {
		trials := g.trials // those of an undone change do no harm there
		*g = before
		g.trials = trials
		if err := w.exec("ROLLBACK TO change"); err != nil {
			return answer{err: fault(err)}, true
		}
	}
	if err := w.exec("RELEASE change"); err != nil {
		return answer{err: fault(err)}, true
	}
	if j.request.Apply != nil && j.request.Now.After(w.newest) {
		w.newest = j.request.Now
	}
	return a, false
}

// answerOf replays the first answer of a known request, or applies the change and keeps its answer.
func (w *writer) answerOf(c *change, j *job) (store.ChangeResult, error) {
	var none store.ChangeResult
	if j.requestID != nil {
		first, err := w.firstAnswer(j)
		if !errors.Is(err, trial.ErrNotFound) {
			return first, err
		}
	}
	response, err := callApply(c, j)
	if c.failure != nil {
		err = c.failure
	}
	if err != nil {
		return none, fault(err)
	}
	for _, write := range []func() error{c.writeFeed, c.writeHistory, c.writeAudit} {
		if err := write(); err != nil {
			return none, fault(err)
		}
	}
	result := store.ChangeResult{Response: response, Revision: c.group.revision}
	if j.requestID != nil {
		c.group.wrote = true
		if response == nil {
			response = []byte{} // NULL is not an answer
		}
		err := w.exec(`INSERT INTO requests (member, request_id, body_hash, revision, at, response, checksum) VALUES (?, ?, ?, ?, ?, ?, ?)`,
			j.request.Actor.Member, j.requestID, j.request.BodyHash[:], result.Revision, j.request.Now.UnixMicro(), response,
			sum(response, j.requestID, j.request.Actor.Member, 0, false, false, result.Revision))
		if err != nil {
			return none, fault(err)
		}
	}
	return result, nil
}

func (w *writer) firstAnswer(j *job) (store.ChangeResult, error) {
	var hash []byte
	var checksum int64
	result := store.ChangeResult{Replayed: true}
	err := w.queryRow(`SELECT body_hash, revision, response, checksum FROM requests WHERE request_id = ? AND member = ?`,
		[]any{j.requestID, j.request.Actor.Member}, &hash, &result.Revision, &result.Response, &checksum)
	switch {
	case err != nil:
		return store.ChangeResult{}, fault(err)
	case [32]byte(hash) != j.request.BodyHash:
		return store.ChangeResult{}, fmt.Errorf("%w: %s", trial.ErrRequestReused, j.request.RequestID)
	case sum(result.Response, j.requestID, j.request.Actor.Member, 0, false, false, result.Revision) != checksum:
		return store.ChangeResult{}, w.store.noted(fmt.Errorf("answer to request %s isn't what was kept: %w", j.request.RequestID, ErrCorrupt))
	}
	return result, nil
}

func callApply(c *change, j *job) (response []byte, err error) {
	defer func() {
		if value := recover(); value != nil {
			stack := debug.Stack()
			c.writer.store.log.ErrorContext(j.ctx, "change panicked", "panic", value, "stack", string(stack))
			response, err = nil, &store.PanicError{Value: value, Stack: stack}
		}
	}()
	return j.apply(c)
}

// rollback ends a lost transaction; SQLite may have ended it already.
func (w *writer) rollback() {
	if _, err := w.conn.ExecContext(context.Background(), "ROLLBACK"); err != nil {
		w.store.log.Debug("rollback", "error", err)
	}
}

// abandon answers everybody who waits when the writer can't go on.
func (w *writer) abandon(group []*job) {
	err := fmt.Errorf("%w: a change ended the writer", store.ErrUnavailable)
	w.store.log.Error("a change ended the writer; the store must be opened again")
	w.rollback()
	for _, j := range group {
		select {
		case j.answer <- answer{err: err}:
		default: // has its answer
		}
	}
	go func() { // until Close
		for j := range w.store.queue {
			j.answer <- answer{err: err}
		}
	}()
}

// tidy carries the log over into the file and forgets old answers, while nobody waits.
func (w *writer) tidy() {
	if !w.idleWork {
		return
	}
	w.idleWork = false
	if w.retention > 0 {
		w.forget(w.newest.Add(-w.retention))
	}
	// A reader may keep the log in use; that is not worth waiting for.
	w.checkpoint(20 * time.Millisecond)
}

const (
	defaultForcedWait = 250 * time.Millisecond
	// forcedPause is how soon the log is carried over by force again when a read took longer than forcedWait.
	forcedPause = time.Second
)

// boundLog keeps the log from growing without end under load: where reads follow on each other without a pause, it is carried
// over all the time but never begun anew, because some read always looks at it.
func (w *writer) boundLog() {
	if w.store.logBytes() <= w.logLimit {
		return
	}
	if now := time.Now(); now.After(w.forceAfter) && !w.checkpoint(w.forcedWait) {
		w.forceAfter = now.Add(forcedPause)
	}
}

// checkpoint carries the log over into the file and begins it anew. It waits that long for reads that are under way; later ones
// don't look at the log.
func (w *writer) checkpoint(wait time.Duration) (done bool) {
	// Not by kept statements: SQLite acts on some pragmas while it prepares them.
	ctx := context.Background()
	var busy bool
	var frames, moved int64
	_, err := w.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA busy_timeout = %d", wait.Milliseconds()))
	if err == nil {
		err = w.conn.QueryRowContext(ctx, "PRAGMA wal_checkpoint(TRUNCATE)").Scan(&busy, &frames, &moved)
	}
	_, err2 := w.conn.ExecContext(ctx, fmt.Sprintf("PRAGMA busy_timeout = %d", busyTimeout.Milliseconds()))
	if err := errors.Join(err, err2); err != nil {
		w.store.log.Warn("carry the log over", "error", err)
		_ = w.store.noted(err)
	}
	if err != nil || busy {
		w.store.counters.checkpointsFailed.Add(1)
		return false
	}
	return true
}

// forgetAtOnce bounds how long a change that arrives meanwhile has to wait.
const forgetAtOnce = 500

func (w *writer) forget(before time.Time) {
	for len(w.store.queue) == 0 {
		result, err := w.execResult(`DELETE FROM requests WHERE at < ?1 AND seq IN (SELECT seq FROM requests ORDER BY seq LIMIT ?2)`,
			before.UnixMicro(), forgetAtOnce)
		if err != nil {
			w.store.log.Warn("forget old answers", "error", err)
			return
		}
		if n, err := result.RowsAffected(); err != nil || n < forgetAtOnce {
			return
		}
	}
}

func (w *writer) close() {
	w.tidy()
	for _, statement := range w.statements {
		_ = statement.Close()
	}
	if err := w.conn.Close(); err != nil {
		w.store.log.Warn("close writer", "error", err)
	}
}

// The writer's statements run under a context of its own that never ends, so
// that no caller can interrupt the others' transaction.

func (w *writer) statement(sql string) (*sql.Stmt, error) {
	if statement, ok := w.statements[sql]; ok {
		return statement, nil
	}
	statement, err := w.conn.PrepareContext(context.Background(), sql)
	if err != nil {
		return nil, fmt.Errorf("prepare %q: %w", sql, err)
	}
	w.statements[sql] = statement
	return statement, nil
}

func (w *writer) exec(sql string, args ...any) error {
	_, err := w.execResult(sql, args...)
	return err
}

func (w *writer) execResult(sql string, args ...any) (sql.Result, error) {
	statement, err := w.statement(sql) //nolint:sqlclosecheck // kept for the next time, closed by close
	if err != nil {
		return nil, err
	}
	return statement.ExecContext(context.Background(), args...)
}

func (w *writer) queryRow(sql string, args []any, into ...any) error {
	statement, err := w.statement(sql) //nolint:sqlclosecheck // kept for the next time, closed by close
	if err != nil {
		return err
	}
	return statement.QueryRowContext(context.Background(), args...).Scan(into...)
}

// query reads all rows, each with scan.
func (w *writer) query(sql string, args []any, scan func(*sql.Rows) error) error {
	statement, err := w.statement(sql) //nolint:sqlclosecheck // kept for the next time, closed by close
	if err != nil {
		return err
	}
	rows, err := statement.QueryContext(context.Background(), args...)
	if err != nil {
		return err
	}
	defer func() { _ = rows.Close() }()
	for rows.Next() {
		if err := scan(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}
