package catalog

import (
	"errors"
	"fmt"
)

// ErrNoModule tells that nothing active bears that kind, name or digest.
var ErrNoModule = errors.New("no such module is active")

// ModuleUnavailableError tells that a module is active and yet can't be called now.
type ModuleUnavailableError struct {
	Name   string // the module's name, or what it was activated by when it isn't installed
	State  State  // never StateRunning
	Reason string // why, for a person; empty while it starts for the first time
}

func (e *ModuleUnavailableError) Error() string {
	text := fmt.Sprintf("module %s is %s", e.Name, e.State)
	if e.Reason != "" {
		text += ": " + e.Reason
	}
	return text
}
