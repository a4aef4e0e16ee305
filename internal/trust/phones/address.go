package phones

import (
	"cmp"
	"fmt"
	"net"
	"net/netip"
	"slices"
	"strings"
)

// Address is one under which a phone on the same network finds the laptop.
type Address struct {
	Interface string // as the system calls it
	At        netip.AddrPort
}

// URL is the address of the pages, or of one page there.
func (a Address) URL(path string) string { return "https://" + a.At.String() + path }

// maxAddresses bounds the list: a laptop has few, a machine with containers many.
const maxAddresses = 16

// Addresses are those that a listener can be reached at from other machines: its
// own one, or when it listens on all, each of the machine's. Those of a private
// network come first, since a laptop's hotspot gives such.
func Addresses(listening net.Addr) ([]Address, error) {
	bound, err := netip.ParseAddrPort(listening.String())
	if err != nil {
		return nil, fmt.Errorf("address for phones: %w", err)
	}
	if !bound.Addr().IsUnspecified() {
		return []Address{{At: netip.AddrPortFrom(bound.Addr().Unmap(), bound.Port())}}, nil
	}
	all, err := net.Interfaces()
	if err != nil {
		return nil, fmt.Errorf("addresses of this laptop: %w", err)
	}
	var out []Address
	for _, i := range all {
		if i.Flags&net.FlagUp == 0 || i.Flags&net.FlagLoopback != 0 {
			continue
		}
		has, err := i.Addrs()
		if err != nil {
			continue // it went away meanwhile
		}
		for _, a := range has {
			if p, err := netip.ParsePrefix(a.String()); err == nil && reachable(p.Addr(), bound.Addr()) {
				out = append(out, Address{i.Name, netip.AddrPortFrom(p.Addr().Unmap(), bound.Port())})
			}
		}
	}
	slices.SortFunc(out, func(a, b Address) int {
		return cmp.Or(cmp.Compare(rank(a.At.Addr()), rank(b.At.Addr())), strings.Compare(a.Interface, b.Interface), a.At.Compare(b.At))
	})
	return out[:min(len(out), maxAddresses)], nil
}

// reachable says that a phone can use the address, and that the listener hears it
// there: one for IPv4 alone does not hear IPv6.
func reachable(ip, bound netip.Addr) bool {
	if ip.IsLinkLocalUnicast() || ip.IsLoopback() {
		return false // of IPv6 these need the name of the phone's own interface
	}
	return ip.Unmap().Is4() || bound.Is6()
}

// rank puts first what a phone reaches most likely.
func rank(ip netip.Addr) int {
	switch {
	case ip.Unmap().Is4() && ip.IsPrivate():
		return 0
	case ip.Unmap().Is4():
		return 1
	case ip.IsPrivate():
		return 2
	}
	return 3
}
