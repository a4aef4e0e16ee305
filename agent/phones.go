package agent

import (
	"thawtrail/internal/node"
	"thawtrail/internal/trust"
)

// openPhones reads the registry of paired phones and opens their door. Without an
// address the registry can still be read and phones be shut out.
func openPhones(home *trust.Home, cfg Config, n *node.Node) error {
	err := n.OpenPhones(home, cfg.Clock.Now, cfg.Phone != "")
	if err != nil || cfg.Phone == "" {
		return err
	}
	if n.PhoneListener, err = trust.ListenAny("phone", cfg.Phone); err != nil {
		return err
	}
	n.Phones.Listen(n.PhoneListener.Addr())
	return nil
}
