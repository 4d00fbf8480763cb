package sandbox

import "golang.org/x/sys/unix"

const auditArch = unix.AUDIT_ARCH_X86_64

// x32Bit marks the calls of the x32 interface, which would pass by numbers of their own.
const x32Bit = 0x40000000

var refusedHere = []uintptr{
	unix.SYS_FORK, unix.SYS_VFORK, unix.SYS_CHMOD, unix.SYS_CHOWN, unix.SYS_LCHOWN, unix.SYS_UTIME, unix.SYS_UTIMES, unix.SYS_FUTIMESAT,
	unix.SYS_CREAT, unix.SYS_INOTIFY_INIT, unix.SYS_IOPL, unix.SYS_IOPERM, unix.SYS_MODIFY_LDT,
}

func (b *filter) foreignNumbers() {
	b.add(unix.BPF_JMP|unix.BPF_JGE|unix.BPF_K, x32Bit, 0, 1)
	b.ret(refuse)
}

func (b *filter) opensHere() {
	b.call(unix.SYS_OPEN, func() { b.loadArg(1); b.whenBit(unix.O_TRUNC, refuse) })
}
