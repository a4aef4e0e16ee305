package cli

import (
	"github.com/spf13/cobra"

	"thawtrail/internal/label"
	"thawtrail/internal/refusal"
)

// labelAnswer is what `label read` prints; what a code does not have stays out.
type labelAnswer struct {
	Kind       string         `json:"kind,omitempty"`
	Number     string         `json:"number,omitempty"`
	GTIN       string         `json:"gtin,omitempty"`
	Batch      string         `json:"batch,omitempty"`
	Serial     string         `json:"serial,omitempty"`
	Expiry     string         `json:"expiry,omitempty"`
	ExpiryTime string         `json:"expiry_time,omitempty"`
	Made       string         `json:"made,omitempty"`
	BestBefore string         `json:"best_before,omitempty"`
	NetMl      int64          `json:"net_ml,omitempty"`
	NetG       int64          `json:"net_g,omitempty"`
	Country    string         `json:"country,omitempty"`
	NationalID string         `json:"national_id,omitempty"`
	Elements   []labelElement `json:"elements,omitempty"`
	Valid      bool           `json:"valid"`
	Problem    string         `json:"problem,omitempty"`
	Note       string         `json:"note,omitempty"`
}

type labelElement struct {
	AI    string `json:"ai"`
	Value string `json:"value"`
	At    int    `json:"at"`
}

func labelAnswerOf(r label.Reading) labelAnswer {
	a := labelAnswer{
		Kind: r.Kind, Number: r.Number, GTIN: r.GTIN, Batch: r.Batch, Serial: r.Serial,
		Expiry: r.Expiry.String(), ExpiryTime: r.ExpiryTime, Made: r.Made.String(), BestBefore: r.BestBefore.String(),
		NetMl: r.NetML, NetG: r.NetG, Country: r.Country, NationalID: r.NationalID,
		Valid: r.Valid, Problem: r.Problem, Note: r.Note,
	}
	for _, e := range r.Elements {
		a.Elements = append(a.Elements, labelElement(e))
	}
	return a
}

// labelCommand reads a code, or makes the check character of one.
func (d *console) labelCommand() *cobra.Command {
	on := &flagOf{name: "on", metavar: metaDay, help: "today's date, which settles the century of two-digit years"}
	digit := &flagOf{name: "check-digit", metavar: "DIGITS", help: "print the check digit for the digits of a GS1 code"}
	character := &flagOf{name: "check-character", metavar: "NUMBER", help: "print the check character for a 13-character donation number"}
	asJSON := jsonFlag()
	cmd := &cobra.Command{
		Use: "read CODE", Short: "Read a code as scanned or typed: bag, GS1, microchip, UELN, donation number",
		Example: "label read '(01)09506000134352(17)280331(10)H2207'", Args: cobra.ArbitraryArgs, DisableFlagsInUseLine: true,
		Annotations: map[string]string{noteArgs: "CODE\tthe code, in quotes where it has spaces or brackets"},
	}
	bindFlags(cmd.Flags(), on, digit, character)
	bindCommon(cmd.Flags(), asJSON)
	cmd.RunE = func(_ *cobra.Command, words []string) error {
		switch {
		case len(words) == 0 && digit.given() != character.given():
			make, text := label.GS1CheckDigit, digit.text()
			if character.given() {
				make, text = label.DonationCheckCharacter, character.text()
			}
			check, err := make(text)
			if err != nil {
				return err
			}
			return d.labelCheck(asJSON, check)
		case len(words) == 1 && !digit.given() && !character.given():
			return d.labelRead(asJSON, words[0], on.text())
		}
		return refusal.New("code", len(words), "one CODE, or --check-digit, or --check-character")
	}
	return cmd
}

func (d *console) labelCheck(asJSON *flagOf, check string) error {
	if asJSON.text() == "true" {
		return d.object(map[string]string{"check": check})
	}
	d.printf("%s\n", check)
	return nil
}

func (d *console) labelRead(asJSON *flagOf, code, on string) error {
	today := label.DayOf(d.now())
	if on != "" {
		var err error
		if today, err = label.ParseDay("on", on); err != nil {
			return err
		}
		if today.Day == 0 {
			return refusal.New("on", on, "a whole date, e.g. 2026-11-24")
		}
	}
	a := labelAnswerOf(label.Read(code, today))
	if asJSON.text() == "true" {
		return d.object(a)
	}
	p := newPage(d.out)
	verdict := "well formed"
	if !a.Valid {
		verdict = "not valid: " + a.Problem
	}
	p.pairs(known([][2]string{
		{"kind", a.Kind}, {"number", bagText(a.Number)}, {"GTIN", a.GTIN}, {"batch", a.Batch}, {"serial", a.Serial},
		{"expiry", a.Expiry + " " + a.ExpiryTime}, {"made", a.Made}, {"best before", a.BestBefore},
		{"net, mL", positive(a.NetMl)}, {"net, g", positive(a.NetG)}, {"country", a.Country}, {"national id", a.NationalID},
		{"code", verdict}, {"note", a.Note},
	}))
	return nil
}

func positive(n int64) string {
	if n == 0 {
		return ""
	}
	return number(float64(n))
}
