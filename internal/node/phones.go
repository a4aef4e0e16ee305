package node

import (
	"crypto/rand"
	"time"

	"thawtrail/internal/access"
	"thawtrail/internal/query"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/trust/vault"
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
