package agent

import (
	"crypto/rand"
	"crypto/tls"
	"net"

	"thawtrail/internal/service"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/phones"
	"thawtrail/internal/trust/vault"
)

// phoneDoor is where phones come in, when they may.
type phoneDoor struct {
	desk     *service.PhoneDesk
	listener net.Listener // nil: they may not
	tls      *tls.Config
}

// openPhones reads the book of paired phones and opens their door. Without an
// address the book can still be read and phones be shut out.
func openPhones(home *trust.Home, cfg Config, replica *service.Replica) (d phoneDoor, err error) {
	saved, save, err := home.Box("phones.box", vault.Phones)
	if err != nil {
		return d, err
	}
	book, err := phones.Open(saved, cfg.Clock.Now, rand.Reader, save)
	if err != nil {
		return d, err
	}
	d.desk = &service.PhoneDesk{Replica: replica, Book: book}
	if cfg.Phone == "" {
		return d, nil
	}
	made, err := phoneCertificate(home)
	if err != nil {
		return d, err
	}
	if d.tls, err = authority.ForPhones(made); err != nil {
		return d, err
	}
	if d.listener, err = trust.ListenAny(cfg.Phone); err != nil {
		return d, err
	}
	d.desk.Listening = d.listener.Addr()
	d.desk.Fingerprint = authority.BrowserFingerprint(d.tls.Certificates[0].Certificate[0])
	return d, nil
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
