package main

import (
	"log/slog"
	"strings"

	"github.com/coreos/go-systemd/v22/daemon"

	"github.com/commonvat/commonvat/services/internal/telemetry"
)

// notify tells the service manager how far the core is, where there is one that listens: NOTIFY_SOCKET names its socket. See
// sd_notify(3) for the words. There is no watchdog on purpose: a ticker would only say that the process lives, which the manager
// sees by itself, and a question to the store would let a full disk end a core that still answers reads.
func notify(log *slog.Logger, states ...string) {
	if _, err := daemon.SdNotify(false, strings.Join(states, "\n")); err != nil {
		log.Warn("the service manager was not told", telemetry.FieldError, err.Error())
	}
}

const (
	stateReady    = daemon.SdNotifyReady
	stateStopping = daemon.SdNotifyStopping
)

// statusLine is one line for people.
func statusLine(text string) string { return "STATUS=" + text }
