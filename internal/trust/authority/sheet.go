package authority

import (
	"bytes"
	"crypto/ed25519"
	"crypto/hkdf"
	"crypto/sha256"
	"fmt"
	"strings"

	"thawtrail/internal/refusal"
	"thawtrail/internal/trust/transcript"
)

// The recovery sheet holds the authority's key as five rows of 14 characters:
// 13 of base 32 and a check character over the row and its number. The first
// four rows are the 32 bytes of the key; the fifth is a checksum over all.
const (
	sheetRows  = 5
	rowChars   = 13
	sumChars   = rowChars
	keyChars   = (sheetRows - 1) * rowChars
	sheetTitle = "thawtrail recovery sheet of the practice's authority"
)

// Fingerprint is what people compare: twenty characters of the key's hash.
func Fingerprint(key ed25519.PublicKey) string {
	sum := sha256.Sum256(append([]byte("thawtrail authority 1\x00"), key...))
	return transcript.Groups(transcript.Base32(sum[:])[:20])
}

// Sheet writes the recovery sheet, to be printed and locked away.
func Sheet(practice string, key ed25519.PrivateKey) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n\nPractice:     %s\nFingerprint:  %s\n\n", sheetTitle, practice, Fingerprint(Public(key)))
	for i, row := range rows(key) {
		fmt.Fprintf(&b, "  %d   %s\n", i+1, transcript.Groups(row))
	}
	b.WriteString(`
Whoever has these five rows can admit laptops to the practice, and put a server
in the place of the one that you have. Keep the paper where the practice keeps
its drug keys, not with a laptop.

If the server is lost: on the new machine, 'thawtrail restore FILE' makes it
anew from these rows and the server's last backup, which they open. Without a
backup, on a laptop of the practice, 'thawtrail books write' writes its books
into a file and shows a code, which 'thawtrail server restore' asks for. No
laptop has to join again, and what a laptop holds comes back.
`)
	return b.String()
}

func rows(key ed25519.PrivateKey) []string {
	seed := key.Seed()
	text := transcript.Base32(seed) // 52 characters
	sum := sha256.Sum256(append([]byte("thawtrail recovery sheet 1\x00"), seed...))
	text += transcript.Base32(sum[:])[:sumChars]
	out := make([]string, sheetRows)
	for i := range out {
		row := text[i*rowChars : (i+1)*rowChars]
		salted := transcript.Checked(rowSalt(i) + row)
		out[i] = row + salted[len(salted)-1:]
	}
	return out
}

// rowSalt makes rows that changed places fail their check.
func rowSalt(i int) string { return fmt.Sprintf("ROW%d", i+1) }

// BackupSecret is the secret behind the code of the backups of whoever has this key. It
// tells nothing of the key.
func BackupSecret(key ed25519.PrivateKey) []byte {
	secret, err := hkdf.Key(sha256.New, key.Seed(), nil, "thawtrail backup secret 1", sha256.Size)
	if err != nil {
		panic("authority: " + err.Error()) // of a length that HKDF cannot make
	}
	return secret
}

// FromSheet reads the five rows back, one a line, with or without the numbers
// and the text around them. A refusal names every row that has a slip.
func FromSheet(text string) (ed25519.PrivateKey, error) {
	if len(text) > 8<<10 {
		return nil, refusal.New("sheet", fmt.Sprintf("%d bytes", len(text)), "five rows of 14 characters")
	}
	var body string
	var slips []string
	var slip error
	n := 0
	for line := range strings.Lines(text) {
		row, ok := cutNumber(line, n+1)
		if !ok {
			continue
		}
		chars, err := SheetRow(n+1, row)
		if err != nil {
			slip, slips = err, append(slips, fmt.Sprint(n+1))
		}
		body += chars
		if n++; n == sheetRows {
			break
		}
	}
	switch {
	case n < sheetRows:
		return nil, refusal.New("sheet", fmt.Sprintf("%d rows", n), "five rows, each with its number before it")
	case len(slips) == 1:
		return nil, slip
	case len(slips) > 1:
		return nil, refusal.New("rows "+strings.Join(slips, ", ")+" of the sheet", "(hidden)", "14 characters each, the last of which fits the others").
			Because("something was misread in each of them, or rows changed places")
	}
	seed, err := transcript.FromBase32(body[:keyChars])
	if err != nil || len(seed) != ed25519.SeedSize {
		return nil, refusal.New("sheet", "(hidden)", "the rows of a recovery sheet")
	}
	key := ed25519.NewKeyFromSeed(seed)
	if last := rows(key)[sheetRows-1]; !bytes.Equal([]byte(last[:sumChars]), []byte(body[keyChars:])) {
		return nil, refusal.New("sheet", "(hidden)", "rows that belong together").Because("a row of another sheet?")
	}
	return key, nil
}

// SheetRows is how many rows a sheet has.
const SheetRows = sheetRows

// SheetRow checks one row, counted from 1, and gives its characters without the
// check character: a person who types them is told of a slip in the row at once.
func SheetRow(number int, text string) (string, error) {
	return transcript.Read(fmt.Sprintf("row %d of the sheet", number), rowSalt(number-1), text, rowChars)
}

// cutNumber takes the row's number off a line; false for other lines.
func cutNumber(line string, number int) (string, bool) {
	head, rest, ok := strings.Cut(strings.TrimSpace(line), " ")
	return rest, ok && head == fmt.Sprint(number)
}
