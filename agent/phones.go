package agent

import (
	"crypto/rand"

	"thawtrail/internal/access"
	"thawtrail/internal/node"
	"thawtrail/internal/query"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/trust/vault"
)

// openPhones reads the registry of paired phones and opens their door. Without an
// address the registry can still be read and phones be shut out.
func openPhones(home *trust.Home, cfg Config, n *node.Node) error {
	saved, save, err := home.Box("phones.box", vault.Phones)
	if err != nil {
		return err
	}
	book, err := phones.Open(saved, cfg.Clock.Now, rand.Reader, save)
	if err != nil {
		return err
	}
	n.Phones = &access.Phones{Reader: query.Reader{Replica: n.Replica}, Registry: book}
	if cfg.Phone == "" {
		return nil
	}
	made, err := phoneCertificate(home)
	if err != nil {
		return err
	}
	if n.PhoneTLS, err = authority.ForPhones(made); err != nil {
		return err
	}
	if n.PhoneListener, err = trust.ListenAny("phone", cfg.Phone); err != nil {
		return err
	}
	n.Phones.Listening = n.PhoneListener.Addr()
	n.Phones.Fingerprint = authority.BrowserFingerprint(n.PhoneTLS.Certificates[0].Certificate[0])
	return nil
}

// phoneCertificate is what this laptop shows to phones. It is made once: a phone
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
