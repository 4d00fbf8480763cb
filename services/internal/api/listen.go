package api

import (
	"context"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
)

// CheckAddress resolves an address to listen on, and refuses one that is not loopback when there is no TLS. It tells
// whether others than this machine can reach it.
func CheckAddress(address string, withTLS bool) (resolved string, public bool, err error) {
	tcp, err := net.ResolveTCPAddr("tcp", address)
	if err != nil {
		return "", false, fmt.Errorf("listen address %q: %w", address, err)
	}
	public = tcp.IP == nil || !tcp.IP.IsLoopback()
	if public && !withTLS {
		return "", false, fmt.Errorf("listen address %q is not loopback; allowed without a certificate: 127.0.0.1 or [::1]", address)
	}
	return tcp.String(), public, nil
}

// Listen opens an address as CheckAddress allows it.
func Listen(ctx context.Context, address string, withTLS bool) (listener net.Listener, public bool, err error) {
	// The resolved address is opened, so that a name isn't resolved to another one meanwhile.
	resolved, public, err := CheckAddress(address, withTLS)
	if err != nil {
		return nil, false, err
	}
	listener, err = (&net.ListenConfig{}).Listen(ctx, "tcp", resolved)
	if err != nil {
		return nil, false, err
	}
	return listener, public, nil
}

// boundedListener closes connections beyond a number at once: each costs memory and a file, whoever opened it.
type boundedListener struct {
	net.Listener
	most int64
	open atomic.Int64
}

// Accept gives the next connection within the bound.
func (l *boundedListener) Accept() (net.Conn, error) {
	for {
		conn, err := l.Listener.Accept()
		if err != nil {
			return nil, err
		}
		if l.open.Add(1) > l.most {
			l.open.Add(-1)
			_ = conn.Close() // nobody to tell
			continue
		}
		return &boundedConn{Conn: conn, closed: sync.OnceFunc(func() { l.open.Add(-1) })}, nil
	}
}

type boundedConn struct {
	net.Conn
	closed func()
}

func (c *boundedConn) Close() error {
	c.closed()
	return c.Conn.Close()
}
