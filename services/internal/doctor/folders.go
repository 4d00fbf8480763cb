package doctor

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"github.com/commonvat/commonvat/plugins/sdk/host"
)

func ownerOf(info fs.FileInfo) int {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return int(st.Uid)
	}
	return -1
}

func (e *exam) dataFolder() {
	const check = "data folder"
	path := e.Config.Data
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.add(check, Fault, "name the right folder with --data, or begin one with: commonvatd member add", "%s isn't there", path)
		return
	case err != nil:
		e.add(check, Fault, "run this as the core's user, or put the folders above it right", "%v", err)
		return
	case !info.IsDir():
		e.add(check, Fault, "name a folder with --data", "%s is no folder", path)
		return
	}
	mode, owner := info.Mode().Perm(), ownerOf(info)
	switch {
	case mode&0o022 != 0:
		e.add(check, Fault, "chmod 0700 "+path, "others may write to %s (mode %04o)", path, mode)
	case mode&0o055 != 0:
		e.add(check, Attention, "chmod 0700 "+path, "others may look into %s (mode %04o)", path, mode)
	default:
		e.add(check, OK, "", "%s, mode %04o, of user %d", path, mode, owner)
	}
	if owner != e.System.UserID && e.System.UserID != 0 {
		e.add(check, Attention, "run this as the core's user", "%s belongs to user %d, and this is user %d, who may see less", path, owner, e.System.UserID)
	}
}

// remote are file systems whose locks can't be relied on, or that may be written to by another machine.
var remote = []string{"nfs", "cifs", "smb2", "smb", "ncp", "afs", "ceph", "9p", "fuse", "coda", "ocfs2", "gfs2"}

func (e *exam) fileSystem() {
	const check = "file system"
	below, err := e.System.FileSystem(nearestThere(e.Config.Data))
	if err != nil {
		e.add(check, Attention, "", "can't be looked at: %v", err)
		return
	}
	switch {
	case slices.Contains(remote, below.Type):
		e.add(check, Fault, "move the data folder to a local disk: SQLite's locks don't hold there", "the data folder is on %s", below.Type)
	case below.ReadOnly:
		e.add(check, Fault, "mount it for writing; look into the kernel's log for why it isn't", "the data folder is on a read-only %s", below.Type)
	case below.Type == "tmpfs" || below.Type == "ramfs":
		e.add(check, Attention, "move the data folder to a disk", "the data folder is in memory (%s) and gone after a power cut", below.Type)
	case below.Type == "overlay":
		e.add(check, Attention, "give the container a volume for its data folder", "the data folder is in a container's own layer (overlay) and gone with the container")
	default:
		e.add(check, OK, "", "local (%s)", below.Type)
	}
	const free = "free space"
	switch {
	case below.Free < FreeFault:
		e.add(free, Fault, "make room: changes will soon be refused", "%s", size(below.Free))
	case below.Free < FreeAttention:
		e.add(free, Attention, "make room before it runs out", "%s", size(below.Free))
	default:
		e.add(free, OK, "", "%s", size(below.Free))
	}
}

// nearestThere is the path or the first folder above it that is there.
func nearestThere(path string) string {
	path, err := filepath.Abs(path)
	if err != nil {
		return "/"
	}
	for {
		if _, err := os.Stat(path); err == nil || path == filepath.Dir(path) {
			return path
		}
		path = filepath.Dir(path)
	}
}

func size(bytes uint64) string {
	if bytes < 10<<30 {
		return fmt.Sprintf("%d MiB", bytes>>20)
	}
	return fmt.Sprintf("%d GiB", bytes>>30)
}

// maxRuntimeDir is the longest runtime folder, in bytes: the core makes a folder of its own in it, named i- and a number.
const maxRuntimeDir = host.MaxSocketParent - len("/i-4294967295")

func (e *exam) runtimeFolder() {
	const check = "runtime folder"
	path, err := filepath.Abs(e.Config.RuntimeDir)
	if err != nil {
		e.add(check, Fault, "give runtime_dir as a whole path", "%v", err)
		return
	}
	if len(path) > maxRuntimeDir {
		e.add(check, Fault, "choose a shorter runtime_dir", "%s has %d bytes; sockets leave room for %d", path, len(path), maxRuntimeDir)
	}
	info, err := os.Lstat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		e.add(check, OK, "", "%s isn't there; the core makes it", path)
	case err != nil:
		e.add(check, Fault, "run this as the core's user, or put the folders above it right", "%v", err)
	case !info.IsDir():
		e.add(check, Fault, "name a folder with runtime_dir", "%s is no folder", path)
	case info.Mode().Perm()&0o022 != 0:
		e.add(check, Fault, "chmod 0700 "+path, "others may put sockets into %s (mode %04o)", path, info.Mode().Perm())
	default:
		if data, err := os.Stat(e.Config.Data); err == nil && ownerOf(data) != ownerOf(info) {
			e.add(check, Fault, "remove it, or name another as runtime_dir: the core only takes one of its own user", "%s belongs to user %d, the data folder to user %d", path, ownerOf(info), ownerOf(data))
			return
		}
		e.add(check, OK, "", "%s, mode %04o", path, info.Mode().Perm())
	}
}

// secrets looks at the modes of what must be read by the core's user alone.
func (e *exam) secrets() {
	const check = "secret files"
	var files []string
	for _, pattern := range []string{"*.token", "*/*.token", "*.key", "*/*.key"} {
		found, err := filepath.Glob(filepath.Join(e.Config.Data, pattern))
		if err == nil { // the pattern is ours
			files = append(files, found...)
		}
	}
	if e.Config.TLS.Key != "" {
		files = append(files, e.Config.TLS.Key)
	}
	open := 0
	for _, path := range files {
		info, err := os.Stat(path)
		if err != nil {
			open++
			e.add(check, Fault, "put the file there, readable by the core's user", "%v", err)
			continue
		}
		if info.Mode().Perm()&0o077 != 0 {
			open++
			e.add(check, Fault, "chmod 0600 "+path+"; and if others use this machine, make a new one", "others may read %s (mode %04o)", path, info.Mode().Perm())
		}
	}
	if open == 0 {
		e.add(check, OK, "", "%d looked at, each for its owner alone", len(files))
	}
}
