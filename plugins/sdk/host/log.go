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

// OfHost is an attribute of log lines that the module didn't write: who did.
const OfHost = "host"

// lineSink carries a module's log lines and go-plugin's own into one slog.Logger.
type lineSink struct {
	out     *slog.Logger
	limit   *rate.Limiter
	dropped atomic.Int64
	base    string // name under which go-plugin logs the module's lines
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
		s.out.Debug(msg, append(slices.Clip(args), OfHost, "go-plugin")...)
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
	s.line(out, msg, args...)
}

func (s *lineSink) line(level slog.Level, msg string, args ...any) {
	if !s.limit.Allow() {
		s.dropped.Add(1)
		return
	}
	s.tellMissing()
	s.out.Log(context.Background(), level, clip(msg), args...)
}

// tellMissing tells of the lines that were lost since it was told last, in a line that isn't the module's.
func (s *lineSink) tellMissing() {
	if n := s.dropped.Swap(0); n > 0 {
		s.out.Warn("module logged too fast, lines are missing", "missing", n, OfHost, "plugins/sdk/host")
	}
}

func clip(s string) string {
	if len(s) > maxLineBytes {
		s = s[:maxLineBytes] + "..."
	}
	return strings.ToValidUTF8(s, "\uFFFD")
}

// printed returns a writer for what the module's code prints with fmt.Print and the like.
func (s *lineSink) printed(stream string) io.Writer { return &printer{sink: s, stream: stream} }

type printer struct {
	sink   *lineSink
	stream string
	mu     sync.Mutex
	buf    []byte
}

func (p *printer) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.buf = append(p.buf, b...)
	for {
		i := bytes.IndexByte(p.buf, '\n')
		if i < 0 && len(p.buf) < maxLineBytes {
			return len(b), nil
		}
		if i < 0 {
			i = len(p.buf) - 1
		}
		p.sink.line(slog.LevelInfo, fmt.Sprintf("printed: %s", bytes.TrimRight(p.buf[:i+1], "\n")), "stream", p.stream)
		p.buf = p.buf[i+1:]
	}
}
