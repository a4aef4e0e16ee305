package node

import (
	"crypto/rand"
	"net"
	"time"

	"thawtrail/internal/access"
	"thawtrail/internal/query"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/web"
)

// OpenPhones reads the registry of paired phones, so that they can be listed and shut
// out. door says that they are to come in too: then this machine has a certificate to show
// them.
func (n *Node) OpenPhones(home *trust.Home, now func() time.Time, door bool) error {
	saved, save, err := home.Box("phones.box", vault.Phones)
	if err != nil {
		return err
	}
	book, err := phones.Open(saved, now, rand.Reader, save)
	if err != nil {
		return err
	}
	n.Phones = &access.Phones{Reader: query.Reader{Replica: n.Replica}, Registry: book}
	if !door {
		return nil
	}
	made, err := phoneCertificate(home)
	if err != nil {
		return err
	}
	if n.PhoneTLS, err = authority.ForPhones(made); err != nil {
		return err
	}
	n.Phones.Fingerprint = authority.BrowserFingerprint(n.PhoneTLS.Certificates[0].Certificate[0])
	return nil
}

// phoneCertificate is what this machine shows to phones. It is made once: a phone
// that took it would warn of another.
func phoneCertificate(home *trust.Home) ([]byte, error) {
	made, save, err := home.Box("phone.key", vault.PhoneTLS)
	if err != nil || made != nil {
		return made, err
	}
	if made, err = authority.NewPhone(); err != nil {
		return nil, err
	}
	return made, save(made)
}

// listenPages opens where the pages are served, anew at each try: for this machine's
// browser, and into cfg for those of the clinic's network. One port on every address
// serves both.
func (n *Node) listenPages(cfg *web.Config) (here net.Listener, err error) {
	if n.Network == "" {
		if n.Pages == "" {
			return nil, nil
		}
		return trust.Listen("pages", n.Pages)
	}
	network, err := trust.ListenAny("pages", n.Network)
	if err != nil {
		return nil, err
	}
	if tcp, ok := network.Addr().(*net.TCPAddr); ok && tcp.IP.IsUnspecified() {
		here, network = phones.Apart(network)
	} else if here, err = trust.Listen("pages", n.Pages); err != nil {
		_ = network.Close() // the other is tried again with it
		return nil, err
	}
	cfg.PhoneListener = network
	n.Phones.Listen(network.Addr())
	if n.NetworkReady != nil {
		n.NetworkReady(network.Addr().String())
	}
	return here, nil
}
