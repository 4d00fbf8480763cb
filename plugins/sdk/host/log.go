package host

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/hashicorp/go-hclog"
	"golang.org/x/time/rate"
)

// A module that logs more than this per second, after a burst, loses lines; the loss is counted in the log.
const (
	linesPerSecond = 100
	linesBurst     = 500
	maxLineBytes   = 4 << 10
)

// OfHost is an attribute of log lines that the module didn't write: who did. Its value is a Note.
const OfHost = "host"

// Note is the value of an attribute that the host adds to a line. Those that a module gives its lines never are, whatever their keys.
type Note string

// lineSink carries a module's log lines and go-plugin's own into one slog.Logger.
type lineSink struct {
	out     *slog.Logger
	limit   *rate.Limiter
	dropped atomic.Int64
	base    string // name under which go-plugin logs the module's lines

	printers []*printer // of what the module prints
}

func newLineSink(out *slog.Logger) *lineSink {
	return &lineSink{out: out, limit: rate.NewLimiter(linesPerSecond, linesBurst)}
}

// logger returns what go-plugin logs to. Lines that it read from the module come under the executable's name.
func (s *lineSink) logger(base string) hclog.Logger {
	s.base = base
	level := hclog.Info
	if s.out.Enabled(context.Background(), slog.LevelDebug) {
		level = hclog.Debug
	}
	l := hclog.NewInterceptLogger(&hclog.LoggerOptions{Output: io.Discard, Level: level})
	l.RegisterSink(s)
	return l
}

// Accept is part of hclog.SinkAdapter.
func (s *lineSink) Accept(name string, level hclog.Level, msg string, args ...any) {
	if name != s.base {
		// go-plugin about itself: ends of modules are ours to judge.
		s.out.Debug(msg, append(slices.Clip(args), OfHost, Note("go-plugin"))...)
		return
	}
	out := slog.LevelDebug
	switch level {
	case hclog.Info:
		out = slog.LevelInfo
	case hclog.Warn:
		out = slog.LevelWarn
	case hclog.Error:
		out = slog.LevelError
	}
	if n := len(args); n >= 2 && args[n-2] == "timestamp" { // go-plugin's, behind what the module gave its line
		args = append(slices.Clone(args[:n-1]), Note(fmt.Sprint(args[n-1])))
	}
	s.line(out, msg, args...)
}

func (s *lineSink) line(level slog.Level, msg string, args ...any) {
	if s.allow() {
		s.out.Log(context.Background(), level, clip(msg), args...)
	}
}

// allow tells whether a line may be told now, and counts one that may not.
func (s *lineSink) allow() bool {
	if !s.limit.Allow() {
		s.dropped.Add(1)
		return false
	}
	s.tellMissing()
	return true
}

// tellMissing tells of the lines that were lost since it was told last, in a line that isn't the module's.
func (s *lineSink) tellMissing() {
	if n := s.dropped.Swap(0); n > 0 {
		s.out.Warn("module logged too fast, lines are missing", "missing", n, OfHost, Note("plugins/sdk/host"))
	}
}

func clip(s string) string {
	if len(s) > maxLineBytes {
		s = s[:maxLineBytes] + "..."
	}
	return strings.ToValidUTF8(s, "\uFFFD")
}

// printed returns a writer for what the module's code prints with fmt.Print and the like.
func (s *lineSink) printed(stream string) io.Writer {
	p := &printer{sink: s, stream: stream}
	s.printers = append(s.printers, p)
	return p
}

// end tells what the module printed last without the end of a line, and of lines that are missing.
func (s *lineSink) end() {
	for _, p := range s.printers {
		p.end()
	}
	s.tellMissing()
}

type printer struct {
	sink   *lineSink
	stream string
	mu     sync.Mutex
	buf    []byte
	ended  bool // the process has: nothing is waited for, and what comes late is told as it comes
}

func (p *printer) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.buf = append(p.buf, b...)
	p.tell()
	return len(b), nil
}

func (p *printer) end() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ended = true
	p.tell()
}

// tell logs the lines of buf, and what is no whole line where it is long or the process has ended.
func (p *printer) tell() {
	for len(p.buf) > 0 {
		i := bytes.IndexByte(p.buf, '\n')
		if i < 0 {
			if len(p.buf) < maxLineBytes && !p.ended {
				return
			}
			i = len(p.buf) - 1
		}
		if p.sink.allow() {
			p.sink.out.Info(clip(fmt.Sprintf("printed: %s", bytes.TrimRight(p.buf[:i+1], "\n"))), "stream", Note(p.stream))
		}
		p.buf = p.buf[i+1:]
	}
}
