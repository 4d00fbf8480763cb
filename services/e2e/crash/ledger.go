package crash

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"sync"
)

// Fate is what is known of a write.
type Fate string

// The fates. A write that was sent and of which nothing more is known may have happened or not.
const (
	Sent         Fate = "sent"
	Acknowledged Fate = "acknowledged"
	Refused      Fate = "refused"
)

// Write is one write as the ledger knows it.
type Write struct {
	Number  int    `json:"number"` // from 1, in the order of sending
	Cycle   int    `json:"cycle,omitempty"`
	Fate    Fate   `json:"fate"`
	Op      string `json:"op,omitempty"` // name in the table of operations
	Member  string `json:"member,omitempty"`
	Request []byte `json:"request,omitempty"` // encoded
	Answer  []byte `json:"answer,omitempty"`  // encoded; of the first time it was acknowledged
	Reason  string `json:"reason,omitempty"`  // with Refused
}

// Ledger is a file of what was sent and what was acknowledged: a line before a write is sent, a line when its answer came. The
// lines of answers are on disk before the test goes on. Safe for concurrent use.
type Ledger struct {
	mu     sync.Mutex
	file   *os.File
	writes []*Write // by number
}

// OpenLedger opens a ledger, or begins one. A torn last line, left by a test that was killed, is cut off.
func OpenLedger(path string) (*Ledger, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600) //nolint:gosec // the test's own file
	if err != nil {
		return nil, err
	}
	l := &Ledger{file: file}
	if err := l.read(); err != nil {
		return nil, errors.Join(fmt.Errorf("ledger %s: %w", path, err), file.Close())
	}
	return l, nil
}

func (l *Ledger) read() error {
	var whole int64
	for lines := bufio.NewReader(l.file); ; {
		line, err := lines.ReadBytes('\n')
		if errors.Is(err, io.EOF) {
			break // what follows the last line end is torn
		}
		if err != nil {
			return err
		}
		w := &Write{}
		if err := json.Unmarshal(line, w); err != nil {
			return fmt.Errorf("after %d bytes: %w", whole, err)
		}
		if err := l.take(w); err != nil {
			return err
		}
		whole += int64(len(line))
	}
	if err := l.file.Truncate(whole); err != nil {
		return err
	}
	_, err := l.file.Seek(whole, io.SeekStart)
	return err
}

func (l *Ledger) take(w *Write) error {
	if w.Fate == Sent {
		if w.Number != len(l.writes)+1 {
			return fmt.Errorf("write %d follows %d", w.Number, len(l.writes))
		}
		l.writes = append(l.writes, w)
		return nil
	}
	if w.Number < 1 || w.Number > len(l.writes) {
		return fmt.Errorf("an answer to write %d, which was not sent", w.Number)
	}
	kept := l.writes[w.Number-1]
	kept.Fate, kept.Answer, kept.Reason = w.Fate, w.Answer, w.Reason
	return nil
}

func (l *Ledger) add(w *Write) error {
	line, err := json.Marshal(w)
	if err != nil {
		return err
	}
	_, err = l.file.Write(append(bytes.TrimSpace(line), '\n'))
	return err
}

// Send takes down a write that is about to be sent, and gives it its number.
func (l *Ledger) Send(w *Write) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	w.Number, w.Fate = len(l.writes)+1, Sent
	if err := l.add(w); err != nil {
		return err
	}
	l.writes = append(l.writes, w)
	return nil
}

// Acknowledge takes down an answer; it is on disk when this returns.
func (l *Ledger) Acknowledge(w *Write, answer []byte) error {
	return l.settle(w, &Write{Number: w.Number, Fate: Acknowledged, Answer: answer})
}

// Refuse takes down a refusal; it is on disk when this returns.
func (l *Ledger) Refuse(w *Write, reason string) error {
	return l.settle(w, &Write{Number: w.Number, Fate: Refused, Reason: reason})
}

func (l *Ledger) settle(w, fate *Write) error {
	l.mu.Lock()
	if err := l.add(fate); err != nil {
		l.mu.Unlock()
		return err
	}
	w.Fate, w.Answer, w.Reason = fate.Fate, fate.Answer, fate.Reason
	l.mu.Unlock()
	return l.file.Sync() // several wait for the disk together
}

// Writes are all writes, by number. They must not be asked for while writes are under way.
func (l *Ledger) Writes() []*Write { return l.writes }

// Close closes the file.
func (l *Ledger) Close() error { return l.file.Close() }
