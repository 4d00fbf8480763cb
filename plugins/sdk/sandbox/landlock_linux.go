package sandbox

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"unsafe"

	"golang.org/x/sys/unix"
)

// Survey asks the running kernel.
func Survey() Kernel {
	k := Kernel{Linux: true}
	abi, _, errno := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, 0, 0, unix.LANDLOCK_CREATE_RULESET_VERSION)
	if errno == 0 {
		k.LandlockABI = int(abi)
	}
	action := uint32(unix.SECCOMP_RET_ERRNO)
	_, _, errno = unix.Syscall(unix.SYS_SECCOMP, unix.SECCOMP_GET_ACTION_AVAIL, 0, uintptr(unsafe.Pointer(&action)))
	k.Seccomp = errno == 0 && auditArch != 0
	return k
}

// Rights within a folder, and those of them that also make sense for a single file.
const (
	readOnly = unix.LANDLOCK_ACCESS_FS_READ_FILE | unix.LANDLOCK_ACCESS_FS_READ_DIR
	socketRW = readOnly | unix.LANDLOCK_ACCESS_FS_WRITE_FILE | unix.LANDLOCK_ACCESS_FS_REMOVE_FILE |
		unix.LANDLOCK_ACCESS_FS_MAKE_REG | unix.LANDLOCK_ACCESS_FS_MAKE_SOCK
	fileOnly = unix.LANDLOCK_ACCESS_FS_EXECUTE | unix.LANDLOCK_ACCESS_FS_READ_FILE
)

// handled is what a Landlock of that version can refuse (landlock(7), table of ABI versions).
func handled(abi int) unix.LandlockRulesetAttr {
	a := unix.LandlockRulesetAttr{Handled_access_fs: unix.LANDLOCK_ACCESS_FS_MAKE_SYM<<1 - 1}
	if abi >= 2 {
		a.Handled_access_fs |= unix.LANDLOCK_ACCESS_FS_REFER
	}
	if abi >= 3 {
		a.Handled_access_fs |= unix.LANDLOCK_ACCESS_FS_TRUNCATE
	}
	if abi >= 4 {
		a.Handled_access_net = unix.LANDLOCK_ACCESS_NET_BIND_TCP | unix.LANDLOCK_ACCESS_NET_CONNECT_TCP
	}
	if abi >= 5 {
		a.Handled_access_fs |= unix.LANDLOCK_ACCESS_FS_IOCTL_DEV
	}
	if abi >= 6 {
		a.Scoped = unix.LANDLOCK_SCOPE_ABSTRACT_UNIX_SOCKET | unix.LANDLOCK_SCOPE_SIGNAL
	}
	return a
}

// landlock restricts this thread, which the module inherits. module is the module's file, p what is executed.
func landlock(abi int, module *os.File, p program, o order) error {
	a := handled(abi)
	// Kernels know the structure by its length; these are the fields up to Scoped, which ours never goes beyond.
	size := unsafe.Offsetof(a.Scoped) + unsafe.Sizeof(a.Scoped)
	switch {
	case abi < 4:
		size = unsafe.Offsetof(a.Handled_access_net)
	case abi < 6:
		size = unsafe.Offsetof(a.Scoped)
	}
	fd, _, errno := unix.Syscall(unix.SYS_LANDLOCK_CREATE_RULESET, uintptr(unsafe.Pointer(&a)), size, 0)
	if errno != 0 {
		return fmt.Errorf("landlock: %w", errno)
	}
	rules := int(fd)
	defer func() { _ = unix.Close(rules) }()

	// By descriptor: the rule is about the very file that was hashed.
	if err := allow(rules, int(module.Fd()), fileOnly); err != nil {
		return fmt.Errorf("landlock: %s: %w", o.Path, err)
	}
	if p.file != module {
		if err := allow(rules, int(p.file.Fd()), fileOnly); err != nil {
			return fmt.Errorf("landlock: %s: %w", p.file.Name(), err)
		}
	}
	if err := allowPath(rules, filepath.Dir(o.Path), readOnly); err != nil {
		return err
	}
	if err := allowPath(rules, o.Sockets, socketRW); err != nil {
		return err
	}
	for _, path := range p.execute {
		if err := allowPath(rules, path, fileOnly); err != nil {
			return err
		}
	}
	for _, path := range p.read {
		if err := allowPath(rules, path, readOnly); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if _, _, errno := unix.Syscall(unix.SYS_LANDLOCK_RESTRICT_SELF, uintptr(rules), 0, 0); errno != 0 {
		return fmt.Errorf("landlock: restrict: %w", errno)
	}
	return nil
}

func allowPath(rules int, path string, rights uint64) error {
	fd, err := unix.Open(path, unix.O_PATH|unix.O_CLOEXEC, 0)
	if err != nil {
		return &os.PathError{Op: "landlock: open", Path: path, Err: err}
	}
	defer func() { _ = unix.Close(fd) }()
	var st unix.Stat_t
	if err := unix.Fstat(fd, &st); err != nil {
		return &os.PathError{Op: "landlock: state", Path: path, Err: err}
	}
	if st.Mode&unix.S_IFMT != unix.S_IFDIR {
		rights &= fileOnly
	}
	if err := allow(rules, fd, rights); err != nil {
		return &os.PathError{Op: "landlock: allow", Path: path, Err: err}
	}
	return nil
}

func allow(rules, fd int, rights uint64) error {
	a := unix.LandlockPathBeneathAttr{Allowed_access: rights, Parent_fd: int32(fd)}
	_, _, errno := unix.Syscall6(unix.SYS_LANDLOCK_ADD_RULE, uintptr(rules), unix.LANDLOCK_RULE_PATH_BENEATH,
		uintptr(unsafe.Pointer(&a)), 0, 0, 0)
	if errno != 0 {
		return errno
	}
	return nil
}
