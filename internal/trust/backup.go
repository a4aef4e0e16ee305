package trust

import (
	"thawtrail/internal/trust/authority"
	"thawtrail/internal/trust/vault"
)

// AuthorityFile holds the key of the practice's authority, on its server alone.
const AuthorityFile = "authority.key"

// BackupKey is the secret behind the code of a machine's backups.
type BackupKey struct {
	Secret []byte
	// Server says that it follows from the authority's key, so that whoever has the
	// recovery sheet has it.
	Server bool
}

// OfServer says that this is the folder of a practice's server, also where the key that
// makes it one is gone.
func (h *Home) OfServer() bool { return h.there(AuthorityFile) || h.must(AuthorityFile) }

// BackupKey makes the secret behind the code of this folder's backups: of the key that
// the recovery sheet holds where this is the practice's server, of the device's own
// elsewhere.
func (h *Home) BackupKey() (BackupKey, error) {
	key, server := h.Device, h.OfServer()
	if server {
		var err error
		if key, err = h.Key(AuthorityFile, vault.Authority); err != nil {
			return BackupKey{}, err
		}
	}
	return BackupKey{Secret: authority.BackupSecret(key), Server: server}, nil
}
