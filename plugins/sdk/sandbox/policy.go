package sandbox

import (
	"errors"
	"fmt"
	"strings"
)

// Profile says how much protection there must be.
type Profile string

const (
	// Off starts modules with all that their host's user may do.
	Off Profile = "off"
	// Local enforces what the kernel can and starts modules anyway, for work on one's own machine. A runtime that the
	// executable needs is granted unasked.
	Local Profile = "local"
	// Production starts no module with less protection than is promised, and none that asks for more than is granted.
	Production Profile = "production"
)

// Profiles are all there are, the weakest first.
func Profiles() []Profile { return []Profile{Off, Local, Production} }

// ParseProfile reads a profile's name.
func ParseProfile(text string) (Profile, error) {
	for _, p := range Profiles() {
		if string(p) == text {
			return p, nil
		}
	}
	return "", fmt.Errorf("profile %.40q is unknown; allowed: off, local, production", text)
}

// Runtimes: what lies outside its own folder that a module may read.
const (
	// RuntimeNone is a statically linked executable.
	RuntimeNone = ""
	// RuntimeLibraries is a dynamically linked executable: the loader that it names, and the system's library folders.
	RuntimeLibraries = "libraries"
	// RuntimePython3 is a Python script: the system's interpreter, its standard library and packages, and the library folders.
	RuntimePython3 = "python3"
)

// Memory that a module may ask for, in MiB. Below the least no runtime starts.
const (
	MinMemoryMiB           = 128
	DefaultMemoryMiB       = 512
	MaxMemoryMiB           = 64 << 10 // under Local
	ProductionMaxMemoryMiB = 2 << 10  // MiB, under Production
)

// reserveBytes is how much address space a module may have beyond its memory, for what runtimes reserve and never fill. The
// limit of data counts what is writable and private: filled pages that are then made read-only count towards this one alone.
const reserveBytes = 4 << 30

// Wish is what a module asks for. Its zero value asks for the least.
type Wish struct {
	// MemoryMiB bounds the memory that the process may fill, MinMemoryMiB to MaxMemoryMiB. DefaultMemoryMiB when 0.
	MemoryMiB int `json:"memory_mib,omitempty"`
	// Runtime is one of the runtimes above.
	Runtime string `json:"runtime,omitempty"`
}

// Check tells what is wrong with w, whatever the profile.
func (w Wish) Check() error {
	if w.MemoryMiB != 0 && (w.MemoryMiB < MinMemoryMiB || w.MemoryMiB > MaxMemoryMiB) {
		return fmt.Errorf("memory_mib is %d, want %d to %d", w.MemoryMiB, MinMemoryMiB, MaxMemoryMiB)
	}
	switch w.Runtime {
	case RuntimeNone, RuntimeLibraries, RuntimePython3:
		return nil
	}
	return fmt.Errorf("runtime is %.40q, want %s, %s or none", w.Runtime, RuntimeLibraries, RuntimePython3)
}

// memoryMiB is the limit with the default filled in.
func (w Wish) memoryMiB() int {
	if w.MemoryMiB == 0 {
		return DefaultMemoryMiB
	}
	return w.MemoryMiB
}

// Policy is a profile and what one module asks for. The zero value is Off.
type Policy struct {
	Profile Profile
	Wish    Wish
}

// On tells whether the module is started through the launcher.
func (p Policy) On() bool { return p.Profile != "" && p.Profile != Off }

// Kernel is what the running system can enforce.
type Kernel struct {
	// LandlockABI is 0 where there is no Landlock.
	LandlockABI int
	// Seccomp tells that filters exist and that this package knows the processor's calls.
	Seccomp bool
	// Linux is false where the launcher doesn't work at all.
	Linux bool
}

// ErrWeak is the cause when Production is asked of a kernel that can't hold it.
var ErrWeak = errors.New("this kernel can't enforce the production profile")

// Check tells why a module must not start under p on k.
func (p Policy) Check(k Kernel) error {
	if !p.On() {
		return nil
	}
	if _, err := ParseProfile(string(p.Profile)); err != nil {
		return err
	}
	if err := p.Wish.Check(); err != nil {
		return err
	}
	if p.Profile != Production {
		return nil
	}
	if err := k.CheckProduction(); err != nil {
		return err
	}
	if m := p.Wish.memoryMiB(); m > ProductionMaxMemoryMiB {
		return fmt.Errorf("memory_mib is %d, the production profile grants at most %d", m, ProductionMaxMemoryMiB)
	}
	return nil
}

// CheckProduction tells whether k can hold the production profile: Landlock of any version and seccomp. What later versions
// of Landlock add (truncating, TCP, signals, abstract sockets) is refused by the filter too.
func (k Kernel) CheckProduction() error {
	var lacking []string
	if k.LandlockABI < 1 {
		lacking = append(lacking, "Landlock")
	}
	if !k.Seccomp {
		lacking = append(lacking, "seccomp filters for this processor")
	}
	if len(lacking) > 0 {
		return fmt.Errorf("%w: it lacks %s", ErrWeak, strings.Join(lacking, " and "))
	}
	return nil
}

// Report says in plain words what a module is kept from and what it isn't.
type Report struct {
	Enforced    []string
	NotEnforced []string
}

// Report says what p enforces on k. It is about the module's process, not about what its host checks of its answers.
func (p Policy) Report(k Kernel) Report {
	var r Report
	say := func(holds bool, what string) {
		if p.On() && k.Linux && holds {
			r.Enforced = append(r.Enforced, what)
		} else {
			r.NotEnforced = append(r.NotEnforced, what)
		}
	}
	files, filter := k.LandlockABI >= 1, k.Seccomp
	say(true, "executing another file than the one that was hashed")
	say(files, "reading files outside its own folder, its socket folder and its runtime ("+p.Wish.runtimeText()+")")
	say(files, "writing outside its socket folder")
	say(filter, "changing owners, modes, attributes and times of files")
	say(true, "putting bytes into files, anywhere")
	say(files, "executing files other than its own and its runtime's")
	say(filter, "starting processes (threads are allowed)")
	say(filter || k.LandlockABI >= 4, "TCP")
	say(filter, "UDP and every other socket but unix streams")
	say(filter, "connecting to unix sockets of others")
	say(filter || k.LandlockABI >= 6, "signals to other processes")
	say(files || filter, "tracing other processes")
	say(filter, "reading or writing the memory of other processes")
	say(filter, "shared memory, message queues, namespaces, mounts, keys, bpf, io_uring, perf")
	say(filter, "leaving its process group, outliving its host")
	say(true, fmt.Sprintf("memory above %d MiB", p.Wish.memoryMiB()))
	say(true, "capabilities, set-user-id programs, core dumps, more than 256 open files")
	say(false, "seeing whether a path exists, and its size and times")
	say(false, "limits to the number of threads, the share of the processor, the number of empty files in its socket folder")
	say(false, fmt.Sprintf("up to %d GiB more memory, by a module that hides it from the limit on purpose", reserveBytes>>30))
	say(false, "calls of the kernel that the filter doesn't name")
	return r
}

func (w Wish) runtimeText() string {
	if w.Runtime == RuntimeNone {
		return "none"
	}
	return w.Runtime
}
