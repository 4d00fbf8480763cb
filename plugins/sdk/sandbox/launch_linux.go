package sandbox

import (
	"bytes"
	"crypto/sha256"
	"debug/elf"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"unsafe"

	"golang.org/x/sys/unix"
)

// errChecksum ends the launcher with ExitChecksum.
var errChecksum = errors.New("checksum of the executable does not match")

// maxFiles is how many descriptors a module may hold.
const maxFiles = 256

// maxStackBytes bounds the stack of the first thread, which the limit of data does not count.
const maxStackBytes = 8 << 20

// launcher gives the command. The kernel's own link to the running program leads to the right file even when an upgrade has
// replaced it on disk.
func launcher(order, _ string) (Launch, error) {
	return Launch{Path: "/proc/self/exe", Args: []string{"commonvat-launcher"}, Env: []string{variable + "=" + order}}, nil
}

// init is the launcher: see the package's comment. It runs on the process's first thread, which stays with this goroutine
// until main begins.
func init() {
	text, ok := os.LookupEnv(variable)
	if !ok {
		return
	}
	runtime.LockOSThread()
	err := launch(text)
	fmt.Fprintf(os.Stderr, "sandbox: %v\n", err)
	if errors.Is(err, errChecksum) {
		os.Exit(ExitChecksum)
	}
	os.Exit(ExitFailed)
}

// launch replaces the process by the module, or says why not.
func launch(text string) error {
	var o order
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		return fmt.Errorf("order can't be read: %w", err)
	}
	p := Policy{Profile: o.Profile, Wish: o.Wish}
	if err := p.Check(Survey()); err != nil {
		return err
	}
	f, err := openChecked(o.Path, o.SHA256)
	if err != nil {
		return err
	}
	return become(f, o, Survey())
}

// openChecked opens an executable, keeps writers away, and compares its hash. The lease (fcntl(2), F_SETLEASE) makes whoever
// opens the file for writing wait until the descriptor is gone, and from then on the execution itself keeps writers away. It
// can be had by the file's owner alone; a file that belongs to another user is that user's to keep.
func openChecked(path, sum string) (*os.File, error) {
	fd, err := unix.Open(path, unix.O_RDONLY|unix.O_CLOEXEC|unix.O_NOFOLLOW|unix.O_NONBLOCK, 0)
	if err != nil {
		return nil, &os.PathError{Op: "open", Path: path, Err: err}
	}
	f := os.NewFile(uintptr(fd), path)
	fail := func(err error) (*os.File, error) {
		_ = f.Close()
		return nil, err
	}
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		return fail(fmt.Errorf("state of %s: %w", path, err))
	}
	if st.Mode&unix.S_IFMT != unix.S_IFREG {
		return fail(fmt.Errorf("%s is not a regular file", path))
	}
	if _, err := unix.FcntlInt(uintptr(fd), unix.F_SETLEASE, unix.F_RDLCK); errors.Is(err, unix.EAGAIN) {
		return fail(fmt.Errorf("%s is open for writing", path))
	}
	if sum == "" {
		return f, nil
	}
	h := sha256.New()
	if _, err := io.Copy(h, io.NewSectionReader(f, 0, st.Size)); err != nil {
		return fail(fmt.Errorf("hash %s: %w", path, err))
	}
	if hex.EncodeToString(h.Sum(nil)) != sum {
		return fail(errChecksum)
	}
	return f, nil
}

// program is what the kernel is asked to execute and what must be readable for it.
type program struct {
	file    *os.File
	args    []string
	execute []string // files that the kernel itself opens to execute
	read    []string // folders and files
}

// systemLibraries are where loaders look; those that are not there are left out.
var systemLibraries = []string{"/lib", "/lib64", "/usr/lib", "/usr/lib64", "/usr/local/lib", "/etc/ld.so.cache"}

// pythonPath is the interpreter of RuntimePython3. It is the system's, so it isn't hashed.
const pythonPath = "/usr/bin/python3"

// programOf looks what kind of file f is and whether the module asked for what that needs. Local gives it unasked.
func programOf(f *os.File, o order) (program, error) {
	p := program{file: f, args: o.Args}
	head := make([]byte, 4)
	if _, err := f.ReadAt(head, 0); err != nil {
		return p, fmt.Errorf("%s is too short to be a program", o.Path)
	}
	switch {
	case bytes.Equal(head, []byte(elf.ELFMAG)):
		loader, err := loaderOf(f)
		if err != nil {
			return p, err
		}
		if loader == "" {
			return p, nil
		}
		if o.Profile == Production && o.Wish.Runtime != RuntimeLibraries {
			return p, fmt.Errorf("%s is linked dynamically; its manifest must ask for the runtime %q, or it must be linked statically (in Go by CGO_ENABLED=0)", o.Path, RuntimeLibraries)
		}
		p.execute, p.read = []string{loader}, systemLibraries
		return p, nil
	case bytes.HasPrefix(head, []byte("#!")):
		if o.Profile == Production && o.Wish.Runtime != RuntimePython3 {
			return p, fmt.Errorf("%s is a script; its manifest must ask for the runtime %q", o.Path, RuntimePython3)
		}
		line := make([]byte, 128)
		n, _ := f.ReadAt(line, 0) // a script may be shorter
		if first, _, _ := bytes.Cut(line[:n], []byte("\n")); !bytes.Contains(first, []byte("python3")) {
			return p, fmt.Errorf("%s begins with %q; of scripts only those for python3 can be held", o.Path, first)
		}
		// The interpreter gets the script by its descriptor, so that it reads what was hashed. -B: there is nowhere to write
		// compiled files. -s: packages of the user's home aren't part of the runtime.
		fd := int(f.Fd())
		if _, err := unix.FcntlInt(uintptr(fd), unix.F_SETFD, 0); err != nil {
			return p, err
		}
		p.args = append([]string{pythonPath, "-B", "-s", fmt.Sprintf("/proc/self/fd/%d", fd)}, o.Args[min(1, len(o.Args)):]...)
		python, err := os.Open(pythonPath)
		if err != nil {
			return p, fmt.Errorf("runtime %s: %w", RuntimePython3, err)
		}
		loader, err := loaderOf(python)
		if err != nil {
			return p, err
		}
		p.file, p.read = python, systemLibraries
		if loader != "" {
			p.execute = []string{loader}
		}
		return p, nil
	}
	return p, fmt.Errorf("%s is neither an ELF program nor a script", o.Path)
}

// loaderOf is the program that the kernel starts in place of a dynamically linked one; empty for a static one.
func loaderOf(f *os.File) (string, error) {
	e, err := elf.NewFile(f)
	if err != nil {
		return "", fmt.Errorf("%s is no ELF program: %w", f.Name(), err)
	}
	for _, p := range e.Progs {
		if p.Type != elf.PT_INTERP {
			continue
		}
		if p.Filesz > unix.PathMax {
			return "", fmt.Errorf("%s names a loader of %d bytes", f.Name(), p.Filesz)
		}
		name := make([]byte, p.Filesz)
		if _, err := p.ReadAt(name, 0); err != nil {
			return "", fmt.Errorf("%s: name of the loader: %w", f.Name(), err)
		}
		loader := string(bytes.TrimRight(name, "\x00"))
		for _, folder := range systemLibraries {
			if filepath.Dir(loader) == folder {
				return loader, nil
			}
		}
		return "", fmt.Errorf("%s wants the loader %q, which is in no library folder of the system", f.Name(), loader)
	}
	return "", nil
}

// become restricts the process and executes f. It returns only with an error.
func become(f *os.File, o order, k Kernel) error {
	// What the host itself inherited without that mark must not reach the module; 3 is the lifeline.
	if err := unix.CloseRange(4, math.MaxUint32, unix.CLOSE_RANGE_CLOEXEC); err != nil && !errors.Is(err, unix.ENOSYS) && !errors.Is(err, unix.EINVAL) {
		return fmt.Errorf("close-on-exec: %w", err)
	}
	p, err := programOf(f, o)
	if err != nil {
		return err
	}
	argv, err := syscall.SlicePtrFromStrings(p.args)
	if err != nil {
		return fmt.Errorf("arguments: %w", err)
	}
	envv, err := syscall.SlicePtrFromStrings(o.Env)
	if err != nil {
		return fmt.Errorf("environment: %w", err)
	}
	empty, _ := syscall.BytePtrFromString("")
	if err := unix.Prctl(unix.PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0); err != nil {
		return fmt.Errorf("no_new_privs: %w", err)
	}
	if err := dropCapabilities(); err != nil {
		return err
	}
	// Again, now that credentials have changed, and with a look whether the host is still there.
	if err := unix.Prctl(unix.PR_SET_PDEATHSIG, uintptr(unix.SIGKILL), 0, 0, 0); err != nil {
		return fmt.Errorf("parent-death signal: %w", err)
	}
	if unix.Getppid() != o.Host {
		return fmt.Errorf("host %d is gone", o.Host)
	}
	if k.LandlockABI > 0 {
		if err := landlock(k.LandlockABI, f, p, o); err != nil {
			return err
		}
	}
	fd := int(p.file.Fd())
	var filter []unix.SockFilter
	if k.Seccomp {
		filter = filterFor(os.Getpid(), fd)
	}
	// Last, since the launcher itself is under them too.
	if err := limit(o.Wish); err != nil {
		return err
	}
	if filter != nil {
		if err := install(filter); err != nil {
			return err
		}
	}
	for {
		_, _, errno := unix.Syscall6(unix.SYS_EXECVEAT, uintptr(fd), uintptr(unsafe.Pointer(empty)),
			uintptr(unsafe.Pointer(&argv[0])), uintptr(unsafe.Pointer(&envv[0])), unix.AT_EMPTY_PATH, 0)
		// A thread of this process that is just being made is one reason to try again.
		if errno != unix.EAGAIN && errno != unix.EINTR {
			return fmt.Errorf("execute %s: %w", o.Path, errno)
		}
	}
}

// dropCapabilities empties every set, so that also a core that runs as root has modules that may not do more than any user.
func dropCapabilities() error {
	for c := uintptr(0); c <= unix.CAP_LAST_CAP; c++ {
		err := unix.Prctl(unix.PR_CAPBSET_DROP, c, 0, 0, 0)
		if errors.Is(err, unix.EPERM) { // not privileged: nothing to drop, and no_new_privs keeps it so
			break
		}
		if err != nil && !errors.Is(err, unix.EINVAL) { // EINVAL: unknown to this kernel
			return fmt.Errorf("drop capability %d: %w", c, err)
		}
	}
	header := unix.CapUserHeader{Version: unix.LINUX_CAPABILITY_VERSION_3}
	var none [2]unix.CapUserData
	if err := unix.Capset(&header, &none[0]); err != nil {
		return fmt.Errorf("drop capabilities: %w", err)
	}
	return nil
}

// limit sets the resource limits, hard and soft alike. A file size of 0 keeps every byte out of files, also of those in its
// socket folder, which may well lie in memory.
func limit(w Wish) error {
	memory := uint64(w.memoryMiB()) << 20
	for _, l := range []struct {
		what  string
		which int
		value uint64
	}{
		{"core", unix.RLIMIT_CORE, 0},
		{"file size", unix.RLIMIT_FSIZE, 0},
		{"open files", unix.RLIMIT_NOFILE, maxFiles},
		{"locked memory", unix.RLIMIT_MEMLOCK, 0},
		{"message queues", unix.RLIMIT_MSGQUEUE, 0},
		{"pending signals", unix.RLIMIT_SIGPENDING, 1024},
		{"stack", unix.RLIMIT_STACK, maxStackBytes},
		{"address space", unix.RLIMIT_AS, memory + reserveBytes},
		{"data", unix.RLIMIT_DATA, memory},
	} {
		var now unix.Rlimit
		if err := unix.Getrlimit(l.which, &now); err != nil {
			return fmt.Errorf("limit of %s: %w", l.what, err)
		}
		v := min(l.value, now.Max) // never more than the host itself may have
		if err := unix.Prlimit(0, l.which, &unix.Rlimit{Cur: v, Max: v}, nil); err != nil {
			return fmt.Errorf("limit of %s: %w", l.what, err)
		}
	}
	return nil
}
