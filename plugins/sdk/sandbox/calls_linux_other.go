//go:build linux && !amd64 && !arm64

package sandbox

// auditArch is 0: the calls of this processor aren't known, so there is no filter.
const auditArch = 0

var refusedHere []uintptr

func (b *filter) foreignNumbers() {}
func (b *filter) opensHere()      {}
