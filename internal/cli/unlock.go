package cli

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust"
	"thawtrail/internal/trust/vault"
	"thawtrail/internal/wholefile"
)

// unlock are the flags by which a data folder is opened.
type unlock struct{ passphrase, keyFile, none *flagOf }

func newUnlock() *unlock {
	return &unlock{
		passphrase: &flagOf{name: "passphrase-file", metavar: "FILE", help: "a file with the passphrase; without one it is asked for"},
		keyFile:    &flagOf{name: "key-file", metavar: "FILE", help: "a key of 32 bytes on other media, in place of a passphrase"},
		none:       &flagOf{name: "no-passphrase", metavar: metaSwitch, help: "encrypt nothing; for trying out only"},
	}
}

func (u *unlock) flags() []*flagOf { return []*flagOf{u.passphrase, u.keyFile, u.none} }

// stopped is a command over a folder whose program is stopped, as it was typed.
type stopped struct {
	data   string
	json   bool
	unlock *unlock
}

// stoppedCommand builds one.
func (d *console) stoppedCommand(use, short, example string, more []*flagOf, run func(context.Context, stopped) error) *cobra.Command {
	data := &flagOf{name: "data", metavar: "DIR", help: "folder of a replica whose agent or server is stopped", required: true}
	asJSON, open := jsonFlag(), newUnlock()
	cmd := &cobra.Command{Use: use + " --data DIR", Short: short, Example: example, Args: noArgs, DisableFlagsInUseLine: true}
	bindFlags(cmd.Flags(), append([]*flagOf{data, open.passphrase, open.keyFile}, more...)...)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		if data.text() == "" {
			return refusal.New("data", "", "--data DIR: "+data.help)
		}
		return run(cmd.Context(), stopped{data: data.text(), json: asJSON.text() == "true", unlock: open})
	}
	return cmd
}

// tries is how often a person may mistype before the program gives up.
const tries = 3

// secret finds what opens the folder, or what a new folder is to be opened with.
// Nil opens a folder that is not encrypted.
func (u *unlock) secret(d *console, data string) (*vault.Secret, error) {
	if err := liesHere(data); err != nil {
		return nil, err
	}
	return u.secretIn(d, wholefile.Folder(data))
}

// liesHere refuses a folder whose records lie elsewhere: a command that reads folders would
// find no journal there, and seem to tell of a loss.
func liesHere(data string) error {
	where := trust.Elsewhere(data)
	if where == "" {
		return nil
	}
	return refusal.Conflict("data", data, "a folder that holds its records").Because("they lie in " + where + "; `verify`, `losses` and `passphrase` look there with --database")
}

// secretIn is secret for a replica whose small files lie anywhere.
func (u *unlock) secretIn(d *console, names wholefile.Names) (*vault.Secret, error) {
	given, err := u.given(d)
	if given != nil || err != nil {
		return given, err
	}
	locked, err := vault.Locked(names)
	switch begun := !errors.Is(err, fs.ErrNotExist); {
	case begun && err != nil:
		return nil, err
	case begun && !locked:
		return nil, nil
	case begun && !interactive():
		return nil, refusal.New("passphrase_file", "", "--passphrase-file FILE or --key-file FILE, since this folder is encrypted")
	case begun:
		return d.askPassphrase(names)
	case u.none.text() == "true":
		return nil, nil
	case !interactive():
		return nil, refusal.New("passphrase_file", "", "--passphrase-file FILE or --key-file FILE to begin an encrypted folder").
			Because("--no-passphrase encrypts nothing; for trying out only")
	}
	return d.askNewPassphrase("This folder is new. What lies in it will be encrypted under a passphrase that is\nasked for at each start. Nobody can open it without.")
}

// drawKey makes the key file that was named, where it is absent.
func (u *unlock) drawKey() error {
	if !u.keyFile.given() {
		return nil
	}
	if _, err := os.Stat(u.keyFile.text()); !errors.Is(err, fs.ErrNotExist) {
		return nil // whoever reads it says what is wrong with it
	}
	_, err := vault.WriteKeyFile(u.keyFile.text(), rand.Reader)
	return err
}

func (u *unlock) given(d *console) (*vault.Secret, error) {
	var s vault.Secret
	var err error
	switch n := len(u.passphrase.texts) + len(u.keyFile.texts) + len(u.none.texts); {
	case n > 1:
		return nil, refusal.New("passphrase_file", "", "one of --passphrase-file, --key-file and --no-passphrase")
	case u.passphrase.text() == stdio:
		var text string
		if text, err = d.secretText(u.passphrase, ""); err == nil {
			s, err = vault.Passphrase(text)
		}
	case u.passphrase.given():
		s, err = vault.ReadPassphrase(u.passphrase.text())
	case u.keyFile.given():
		s, err = vault.ReadKeyFile(u.keyFile.text())
	default:
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return &s, nil
}

// askPassphrase asks until the folder opens. One slip is put right; what else is
// likely a slip in a word of the list is named.
func (d *console) askPassphrase(names wholefile.Names) (*vault.Secret, error) {
	for left := tries - 1; ; left-- {
		text, err := askSecret(d.err, "Passphrase (four letters of each word are enough): ")
		if err != nil {
			return nil, err
		}
		s, err := d.openTyped(names, text)
		if err == nil || left == 0 || !errors.Is(err, vault.ErrWrongSecret) && !refused(err) {
			return s, err
		}
		fmt.Fprintf(d.err, "That does not open it. Tries left: %d.\n", left)
		for _, slip := range vault.Slips(text) {
			fmt.Fprintln(d.err, "  "+slip)
		}
	}
}

// openTyped tries what was typed, and then what it becomes when one slip is put
// right.
func (d *console) openTyped(names wholefile.Names, text string) (*vault.Secret, error) {
	s, err := vault.Passphrase(text)
	if err != nil {
		return nil, err
	}
	if _, err = vault.Open(names, &s); err == nil {
		return &s, nil
	}
	if !errors.Is(err, vault.ErrWrongSecret) {
		return nil, err
	}
	for _, mended := range vault.Mend(text) {
		m, mendErr := vault.Passphrase(mended)
		if mendErr != nil {
			return nil, mendErr
		}
		if _, mendErr = vault.Open(names, &m); mendErr == nil {
			fmt.Fprintln(d.err, "There was one slip in it; it was put right.")
			return &m, nil
		}
	}
	return nil, err
}

// askNewPassphrase says why, offers words of the list and asks for them, or for
// others, twice.
func (d *console) askNewPassphrase(why string) (*vault.Secret, error) {
	offer, err := vault.NewPhrase(vault.PhraseWords, rand.Reader)
	if err != nil {
		return nil, err
	}
	fmt.Fprintf(d.err, "%s Write these words down, or\nuse your own:\n\n    %s\n\n", why, offer)
	for range tries {
		first, err := askSecret(d.err, "Passphrase from now on: ")
		if err != nil {
			return nil, err
		}
		s, err := vault.Passphrase(first)
		if ref, ok := refusal.As(err); ok {
			fmt.Fprintln(d.err, "That will not do: "+ref.Want+".")
			continue
		}
		again, err := askSecret(d.err, "The same again: ")
		if err != nil {
			return nil, err
		}
		if vault.Normalise(again) == vault.Normalise(first) {
			return &s, nil
		}
		fmt.Fprintln(d.err, "The two are not the same.")
	}
	return nil, errors.New("no passphrase was set; nothing was changed")
}

func refused(err error) bool {
	_, ok := refusal.As(err)
	return ok
}
