package limits

import (
	"net"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// doors counts wrong tokens by the address they come from. Beyond the bound no more tokens from there are looked up, save those that
// were found right lately: a member behind the same address, or behind the same proxy, works on while somebody else there guesses.
type doors struct {
	mu      sync.Mutex
	failed  *recent[string, *rate.Limiter]
	allowed Rate
	now     func() time.Time

	proven *recent[string, struct{}] // public ids of tokens
}

func (d *doors) open(config Config) {
	d.failed, d.allowed, d.now = newRecent[string, *rate.Limiter](config.Addresses), config.Failures, config.Now
	d.proven = newRecent[string, struct{}](config.Tokens)
}

// MayTry tells whether a token from an address is to be looked up. tokenID is its public part, as far as it has one.
func (d *doors) MayTry(address net.Addr, tokenID string) bool {
	key := place(address)
	d.mu.Lock()
	defer d.mu.Unlock()
	bucket, ok := d.failed.get(key)
	if !ok || bucket.TokensAt(d.now()) >= 1 {
		return true
	}
	_, ok = d.proven.get(tokenID)
	return ok
}

// Failed counts a call without a right token.
func (d *doors) Failed(address net.Addr) {
	key := place(address)
	d.mu.Lock()
	defer d.mu.Unlock()
	bucket, ok := d.failed.get(key)
	if !ok {
		bucket = rate.NewLimiter(rate.Limit(d.allowed.PerSecond), d.allowed.Burst)
		d.failed.put(key, bucket, nil)
	}
	bucket.AllowN(d.now(), 1)
}

// Proved remembers the public id of a token that was found right.
func (d *doors) Proved(tokenID string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, ok := d.proven.get(tokenID); !ok {
		d.proven.put(tokenID, struct{}{}, nil)
	}
}

// place is what stands for an address: the IPv4 address, the network of 64 bits for IPv6 (which one subscriber has whole), and the
// address's own text for what is neither.
func place(address net.Addr) string {
	if address == nil {
		return ""
	}
	tcp, ok := address.(*net.TCPAddr)
	if !ok {
		return address.Network()
	}
	ip, ok := netip.AddrFromSlice(tcp.IP)
	if !ok {
		return ""
	}
	if ip = ip.Unmap(); ip.Is4() {
		return string(ip.AsSlice())
	}
	network, err := ip.Prefix(64)
	if err != nil {
		return string(ip.AsSlice())
	}
	return string(network.Addr().AsSlice())
}
