// Package doctor examines an installation of the core: its configuration, folders, store, modules, packs, keys, clock and backups. It
// says of each what was found and what to do about it, changes nothing, and needs no core to run.
package doctor

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
	"github.com/commonvat/commonvat/services/internal/config"
	"github.com/commonvat/commonvat/services/internal/store"
)

// Level says how a check came out.
type Level string

// The levels: Attention is what a steward should know of, Fault what keeps the core from its work or the record from being safe.
const (
	OK        Level = "ok"
	Attention Level = "attention"
	Fault     Level = "fault"
)

// Finding is what one check found.
type Finding struct {
	Check string `json:"check"`
	Level Level  `json:"level"`
	Found string `json:"found"`
	Do    string `json:"do,omitempty"` // "" when there is nothing to do
}

// Bounds of what is still fine.
const (
	FreeFault          = 64 << 20 // bytes; below it the core may soon refuse to write
	FreeAttention      = 1 << 30
	CertificateWarning = 21 * 24 * time.Hour
	BackupWarning      = 7 * 24 * time.Hour
	OpenFilesWarning   = 1024
	// clockSlack is how far a file may lie in the future before the clock is doubted.
	clockSlack = 2 * time.Minute
)

// StoreState is what could be read of the store.
type StoreState struct {
	Schema int64 // version that the file has
	Known  int64 // version that this program brings it to
	// Packs are the data of modules, and Retired the names of modules that somebody took out; none of a schema that has neither.
	Packs   []store.PackRow
	Retired []string
}

// Installation is what is examined, and by what means. All functions are required.
type Installation struct {
	Config      config.Config
	ConfigFile  string // "" when there is none
	ConfigFault error  // a config.Faults

	// ReadStore opens a store for reading alone and looks whether it is whole.
	ReadStore func(ctx context.Context, path string) (StoreState, error)
	// AskHealth asks a core whether it serves. It is given the configured certificate's file where TLS is spoken, to trust it.
	AskHealth func(ctx context.Context, address, certificate string) (serving bool, err error)
	System    System
	Now       func() time.Time
}

// FileSystem is what lies below a path.
type FileSystem struct {
	Type     string // "ext", "nfs" and so on; a number where the name isn't known
	Free     uint64 // bytes that an ordinary user may still write
	NoExec   bool
	ReadOnly bool
}

// System is what the checks ask the machine.
type System struct {
	FileSystem func(path string) (FileSystem, error)
	// ClockSynchronised tells whether the kernel believes that its clock follows a reference.
	ClockSynchronised func() (bool, error)
	// Kernel tells what the kernel has for holding modules.
	Kernel    func() sandbox.Kernel
	OpenFiles func() (uint64, error)
	UserID    int
}

// Examine runs every check, also after a fault: one fault mustn't hide another.
func Examine(ctx context.Context, installation Installation) []Finding {
	e := &exam{Installation: installation}
	e.configuration()
	e.dataFolder()
	e.fileSystem()
	e.store(ctx)
	e.core(ctx)
	e.runtimeFolder()
	e.modules()
	e.packs()
	e.secrets()
	e.certificate()
	e.clock()
	e.backup()
	e.machine()
	return e.findings
}

// Faulty tells whether any finding is a fault.
func Faulty(findings []Finding) bool {
	for _, f := range findings {
		if f.Level == Fault {
			return true
		}
	}
	return false
}

type exam struct {
	Installation
	state     StoreState
	storeRead bool // state is that of the store
	findings  []Finding
}

func (e *exam) add(check string, level Level, do, format string, args ...any) {
	e.findings = append(e.findings, Finding{Check: check, Level: level, Found: fmt.Sprintf(format, args...), Do: do})
}

func (e *exam) configuration() {
	const check = "configuration"
	var faults config.Faults
	switch {
	case errors.As(e.ConfigFault, &faults):
		for _, f := range faults {
			e.add(check, Fault, "put it right; the core doesn't start with it", "%s", f.Error())
		}
	case e.ConfigFault != nil:
		e.add(check, Fault, "put it right; the core doesn't start with it", "%s", e.ConfigFault)
	case e.ConfigFile == "":
		e.add(check, OK, "", "whole, without a file")
	default:
		e.add(check, OK, "", "whole, from %s", e.ConfigFile)
	}
}
