package doctor

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"

	"github.com/commonvat/commonvat/plugins/sdk/sandbox"
)

// fileSystems are the numbers of statfs(2) by the names that are used here.
var fileSystems = map[int64]string{
	unix.EXT4_SUPER_MAGIC: "ext", unix.XFS_SUPER_MAGIC: "xfs", unix.BTRFS_SUPER_MAGIC: "btrfs", unix.F2FS_SUPER_MAGIC: "f2fs", 0x2fc12fc1: "zfs",
	unix.TMPFS_MAGIC: "tmpfs", unix.RAMFS_MAGIC: "ramfs", unix.OVERLAYFS_SUPER_MAGIC: "overlay",
	unix.NFS_SUPER_MAGIC: "nfs", 0xff534d42: "cifs", unix.SMB2_SUPER_MAGIC: "smb2", unix.SMB_SUPER_MAGIC: "smb", unix.NCP_SUPER_MAGIC: "ncp", unix.AFS_SUPER_MAGIC: "afs",
	unix.CEPH_SUPER_MAGIC: "ceph", unix.V9FS_MAGIC: "9p", unix.FUSE_SUPER_MAGIC: "fuse", unix.CODA_SUPER_MAGIC: "coda", unix.OCFS2_SUPER_MAGIC: "ocfs2", 0x01161970: "gfs2",
}

// ThisSystem is the machine that the program runs on.
func ThisSystem() System {
	return System{
		FileSystem: func(path string) (FileSystem, error) {
			var st unix.Statfs_t
			if err := unix.Statfs(path, &st); err != nil {
				return FileSystem{}, fmt.Errorf("%s: %w", path, err)
			}
			name, known := fileSystems[int64(uint32(st.Type))]
			if !known {
				name = fmt.Sprintf("%#x", uint32(st.Type))
			}
			return FileSystem{Type: name, Free: st.Bavail * uint64(st.Bsize), NoExec: st.Flags&unix.ST_NOEXEC != 0, ReadOnly: st.Flags&unix.ST_RDONLY != 0}, nil
		},
		ClockSynchronised: func() (bool, error) {
			state, err := unix.Adjtimex(&unix.Timex{}) // asks, and sets nothing
			return state != unix.TIME_ERROR, err
		},
		Kernel: sandbox.Survey,
		OpenFiles: func() (uint64, error) {
			var limit unix.Rlimit
			err := unix.Getrlimit(unix.RLIMIT_NOFILE, &limit)
			return limit.Cur, err
		},
		UserID: os.Getuid(),
	}
}
