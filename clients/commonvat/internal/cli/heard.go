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

// heard is a slog.Handler that shows the author of a module what it prints and logs: each message, with its attributes below it. Of the host it shows
// only warnings, for instance that lines are missing.
type heard struct {
	lock *sync.Mutex // the module's lines come from several goroutines
	to   io.Writer
}

var _ slog.Handler = heard{}

func (heard) Enabled(_ context.Context, level slog.Level) bool { return level >= slog.LevelDebug }

func (h heard) Handle(_ context.Context, r slog.Record) error {
	who, with := "the module", &strings.Builder{}
	r.Attrs(func(a slog.Attr) bool {
		if _, ours := a.Value.Any().(host.Note); ours { // whatever its key, what the module gave its line is shown
			if a.Key == host.OfHost {
				who = "the host"
			}
			return true // the stream and the time are of no use to a person
		}
		first := a.Key + ": "
		for line := range strings.Lines(strings.TrimSpace(a.Value.String())) {
			fmt.Fprintf(with, "  %s%s\n", first, output.Clean(strings.TrimRight(line, "\n")))
			first = ""
		}
		return true
	})
	if who == "the host" && r.Level < slog.LevelWarn {
		return nil
	}
	h.lock.Lock()
	defer h.lock.Unlock()
	_, err := fmt.Fprintf(h.to, "%s: %s\n%s", who, output.Clean(r.Message), with.String())
	return err
}

// WithAttrs leaves out what the host adds to each line: there is one module.
func (h heard) WithAttrs([]slog.Attr) slog.Handler { return h }

// WithGroup is part of slog.Handler.
func (h heard) WithGroup(string) slog.Handler { return h }
