package leash

import "syscall"

func atEnd(attributes *syscall.SysProcAttr, signal syscall.Signal) { attributes.Pdeathsig = signal }
