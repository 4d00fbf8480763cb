package cli

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"strings"
	"sync"

	"github.com/commonvat/commonvat/clients/commonvat/internal/output"
	"github.com/commonvat/commonvat/plugins/sdk/host"
)

// heard shows its author what a module prints and logs, as a person reads it: the message, and below it what goes with it. It is a slog.Handler.
type heard struct {
	lock *sync.Mutex // the module's lines come from several goroutines
	to   io.Writer
}

var _ slog.Handler = heard{}

func (heard) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelDebug }

func (h heard) Handle(_ context.Context, r slog.Record) error {
	var b strings.Builder
	fmt.Fprintf(&b, "the module: %s\n", output.Clean(r.Message))
	own := true
	r.Attrs(func(a slog.Attr) bool {
		switch a.Key {
		case host.OfHost:
			own = false
			return false
		case "stream", "timestamp":
			return true // of no use to a person
		}
		first := a.Key + ": "
		for line := range strings.Lines(strings.TrimSpace(a.Value.String())) {
			fmt.Fprintf(&b, "  %s%s\n", first, output.Clean(strings.TrimRight(line, "\n")))
			first = ""
		}
		return true
	})
	if !own {
		return nil
	}
	h.lock.Lock()
	defer h.lock.Unlock()
	_, err := io.WriteString(h.to, b.String())
	return err
}

// WithAttrs leaves out what the host adds to each line: there is one module.
func (h heard) WithAttrs([]slog.Attr) slog.Handler { return h }

// WithGroup is part of slog.Handler.
func (h heard) WithGroup(string) slog.Handler { return h }
