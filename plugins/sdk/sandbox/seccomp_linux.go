package sandbox

import (
	"fmt"
	"math"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Offsets in struct seccomp_data (linux/seccomp.h).
const (
	dataNumber = 0
	dataArch   = 4
	dataArgs   = 16
)

const (
	permit = uint32(unix.SECCOMP_RET_ALLOW)
	refuse = uint32(unix.SECCOMP_RET_ERRNO) | uint32(unix.EPERM)
	absent = uint32(unix.SECCOMP_RET_ERRNO) | uint32(unix.ENOSYS)
)

// refused are the calls that no module needs, on every processor; refusedHere are those of this one.
var refused = []uintptr{
	// Programs. execveat is below.
	unix.SYS_EXECVE,
	// Other processes. tkill is the old form of tgkill, which is below.
	unix.SYS_PTRACE, unix.SYS_PROCESS_VM_READV, unix.SYS_PROCESS_VM_WRITEV, unix.SYS_PROCESS_MADVISE, unix.SYS_PROCESS_MRELEASE,
	unix.SYS_PIDFD_OPEN, unix.SYS_PIDFD_GETFD, unix.SYS_PIDFD_SEND_SIGNAL, unix.SYS_KCMP, unix.SYS_TKILL,
	unix.SYS_MIGRATE_PAGES, unix.SYS_MOVE_PAGES,
	unix.SYS_SETPRIORITY, unix.SYS_SCHED_SETSCHEDULER, unix.SYS_SCHED_SETPARAM, unix.SYS_SCHED_SETATTR, unix.SYS_IOPRIO_SET,
	// Its process group, by which its host ends it.
	unix.SYS_SETPGID, unix.SYS_SETSID,
	// Sockets of others; it only ever answers. sendto of a stream takes no address.
	unix.SYS_CONNECT,
	// What Landlock has no right for.
	unix.SYS_FCHMOD, unix.SYS_FCHMODAT, unix.SYS_FCHMODAT2, unix.SYS_FCHOWN, unix.SYS_FCHOWNAT,
	unix.SYS_SETXATTR, unix.SYS_LSETXATTR, unix.SYS_FSETXATTR, unix.SYS_REMOVEXATTR, unix.SYS_LREMOVEXATTR, unix.SYS_FREMOVEXATTR,
	unix.SYS_SETXATTRAT, unix.SYS_REMOVEXATTRAT, unix.SYS_UTIMENSAT, unix.SYS_TRUNCATE,
	unix.SYS_INOTIFY_INIT1, unix.SYS_FANOTIFY_INIT, unix.SYS_NAME_TO_HANDLE_AT, unix.SYS_OPEN_BY_HANDLE_AT, unix.SYS_QUOTACTL, unix.SYS_QUOTACTL_FD,
	// Memory that no limit counts, or that outlives the process.
	unix.SYS_MEMFD_CREATE, unix.SYS_MEMFD_SECRET, unix.SYS_MAP_SHADOW_STACK, unix.SYS_SHMGET, unix.SYS_SHMAT, unix.SYS_SEMGET, unix.SYS_MSGGET, unix.SYS_MQ_OPEN,
	// Namespaces, mounts, keys, and ways into the kernel.
	unix.SYS_UNSHARE, unix.SYS_SETNS, unix.SYS_CHROOT, unix.SYS_PIVOT_ROOT, unix.SYS_MOUNT, unix.SYS_UMOUNT2, unix.SYS_MOVE_MOUNT,
	unix.SYS_OPEN_TREE, unix.SYS_FSOPEN, unix.SYS_FSCONFIG, unix.SYS_FSMOUNT, unix.SYS_FSPICK, unix.SYS_MOUNT_SETATTR,
	unix.SYS_KEYCTL, unix.SYS_ADD_KEY, unix.SYS_REQUEST_KEY, unix.SYS_BPF, unix.SYS_PERF_EVENT_OPEN, unix.SYS_USERFAULTFD,
	unix.SYS_IO_URING_SETUP, unix.SYS_IO_URING_ENTER, unix.SYS_IO_URING_REGISTER,
	unix.SYS_KEXEC_LOAD, unix.SYS_KEXEC_FILE_LOAD, unix.SYS_INIT_MODULE, unix.SYS_FINIT_MODULE, unix.SYS_DELETE_MODULE,
	unix.SYS_REBOOT, unix.SYS_SWAPON, unix.SYS_SWAPOFF, unix.SYS_ACCT, unix.SYS_SYSLOG, unix.SYS_PERSONALITY, unix.SYS_VHANGUP,
	unix.SYS_SETTIMEOFDAY, unix.SYS_CLOCK_SETTIME, unix.SYS_CLOCK_ADJTIME, unix.SYS_ADJTIMEX, unix.SYS_SETHOSTNAME, unix.SYS_SETDOMAINNAME,
}

// filterFor builds the program for a process of that id that is about to execute descriptor fd. Arguments are compared by
// their lower halves: the kernel itself takes these as 32-bit values, or looks at flags that lie there.
func filterFor(pid, fd int) []unix.SockFilter {
	b := &filter{}
	b.load(dataArch)
	b.unless(auditArch, unix.SECCOMP_RET_KILL_PROCESS)
	b.load(dataNumber)
	b.foreignNumbers()
	for _, n := range refused {
		b.when(n, refuse)
	}
	for _, n := range refusedHere {
		b.when(n, refuse)
	}
	// Without these the older calls are used, whose arguments a filter can see.
	b.when(unix.SYS_CLONE3, absent)
	b.when(unix.SYS_OPENAT2, absent)

	// Threads, yes; processes, no.
	b.call(unix.SYS_CLONE, func() { b.loadArg(0); b.unlessBit(unix.CLONE_THREAD, refuse) })
	// The module itself, once, by its descriptor. Afterwards Landlock lets nothing else be executed.
	b.call(unix.SYS_EXECVEAT, func() {
		b.loadArg(0)
		b.unless(uint32(fd), refuse)
		b.loadArg(4)
		b.unless(unix.AT_EMPTY_PATH, refuse)
	})
	for _, n := range []uintptr{unix.SYS_SOCKET, unix.SYS_SOCKETPAIR} {
		b.call(n, func() {
			b.loadArg(0)
			b.unless(unix.AF_UNIX, refuse)
			b.loadArg(1)
			b.mask(0xf) // without SOCK_CLOEXEC and SOCK_NONBLOCK
			b.unless(unix.SOCK_STREAM, refuse)
		})
	}
	for _, n := range []uintptr{unix.SYS_KILL, unix.SYS_TGKILL, unix.SYS_RT_SIGQUEUEINFO, unix.SYS_RT_TGSIGQUEUEINFO} {
		b.call(n, func() { b.loadArg(0); b.unless(uint32(pid), refuse) })
	}
	for _, n := range []uintptr{unix.SYS_PRLIMIT64, unix.SYS_SCHED_SETAFFINITY} {
		b.call(n, func() {
			b.loadArg(0)
			b.skipWhen(0, func() { b.unless(uint32(pid), refuse) })
		})
	}
	b.call(unix.SYS_FCNTL, func() {
		b.loadArg(1)
		for _, command := range []uintptr{unix.F_SETOWN, unix.F_SETOWN_EX, unix.F_SETSIG} {
			b.when(command, refuse)
		}
	})
	b.call(unix.SYS_PRCTL, func() { b.loadArg(0); b.when(unix.PR_SET_PDEATHSIG, refuse) })
	// O_TRUNC, for Landlock before ABI 3.
	b.call(unix.SYS_OPENAT, func() { b.loadArg(2); b.whenBit(unix.O_TRUNC, refuse) })
	b.opensHere()
	// Shared memory without a file, and memory that grows like a stack, count towards no limit of data. MAP_SHARED and
	// MAP_SHARED_VALIDATE have bit 0.
	b.call(unix.SYS_MMAP, func() {
		b.loadArg(3)
		b.whenBit(unix.MAP_GROWSDOWN, refuse)
		b.mask(unix.MAP_ANONYMOUS | unix.MAP_SHARED)
		b.when(unix.MAP_ANONYMOUS|unix.MAP_SHARED, refuse)
	})
	b.ret(permit)
	return b.code
}

// filter is a classic BPF program under construction.
type filter struct{ code []unix.SockFilter }

func (b *filter) add(code uint16, k uint32, jt, jf uint8) {
	b.code = append(b.code, unix.SockFilter{Code: code, Jt: jt, Jf: jf, K: k})
}

func (b *filter) load(offset uint32) { b.add(unix.BPF_LD|unix.BPF_W|unix.BPF_ABS, offset, 0, 0) }
func (b *filter) loadArg(i uint32)   { b.load(dataArgs + 8*i + lowerHalf) }
func (b *filter) mask(k uint32)      { b.add(unix.BPF_ALU|unix.BPF_AND|unix.BPF_K, k, 0, 0) }
func (b *filter) ret(k uint32)       { b.add(unix.BPF_RET|unix.BPF_K, k, 0, 0) }

// lowerHalf is where the lower half of an argument begins; both processors known here are little-endian.
const lowerHalf = 0

func (b *filter) when(k uintptr, result uint32) {
	b.add(unix.BPF_JMP|unix.BPF_JEQ|unix.BPF_K, uint32(k), 0, 1)
	b.ret(result)
}

func (b *filter) unless(k, result uint32) {
	b.add(unix.BPF_JMP|unix.BPF_JEQ|unix.BPF_K, k, 1, 0)
	b.ret(result)
}

func (b *filter) whenBit(bits, result uint32) {
	b.add(unix.BPF_JMP|unix.BPF_JSET|unix.BPF_K, bits, 0, 1)
	b.ret(result)
}

func (b *filter) unlessBit(bits, result uint32) {
	b.add(unix.BPF_JMP|unix.BPF_JSET|unix.BPF_K, bits, 1, 0)
	b.ret(result)
}

func (b *filter) skipWhen(k uint32, body func()) { b.jump(k, false, body) }

// call runs body for one call, and permits it when body has decided nothing.
func (b *filter) call(number uintptr, body func()) {
	b.jump(uint32(number), true, func() { body(); b.ret(permit) })
}

// jump puts body after a comparison and skips it when equality is not as wanted.
func (b *filter) jump(k uint32, wanted bool, body func()) {
	at := len(b.code)
	b.add(unix.BPF_JMP|unix.BPF_JEQ|unix.BPF_K, k, 0, 0)
	body()
	n := len(b.code) - at - 1
	if n > math.MaxUint8 {
		panic("body of a filter is too long") // a mistake in filterFor, which every test would see
	}
	if wanted {
		b.code[at].Jf = uint8(n)
	} else {
		b.code[at].Jt = uint8(n)
	}
}

// install puts the filter on this thread, which the module inherits.
func install(code []unix.SockFilter) error {
	prog := unix.SockFprog{Len: uint16(len(code)), Filter: &code[0]}
	_, _, errno := unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_SET_MODE_FILTER, 0, uintptr(unsafe.Pointer(&prog)))
	if errno != 0 {
		return fmt.Errorf("seccomp: %w", errno)
	}
	return nil
}
