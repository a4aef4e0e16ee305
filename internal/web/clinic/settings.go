package clinic

import (
	"thawtrail/internal/query"
	"thawtrail/internal/web/site"
	"thawtrail/internal/web/words"
	pb "thawtrail/proto/thawtrail/v1"
)

// settingRow is one setting as it stands.
type settingRow struct{ Name, Words, Now, Usual string }

// settingsMore is the page of what the practice set for itself.
type settingsMore struct {
	Practice string // its name, zone, currency and unit, in words
	Rows     []settingRow
}

// ListSettings serves every setting with what is in force.
func ListSettings(req *site.Request) error {
	m := &settingsMore{}
	err := req.Read(func(l *query.ReadView) error {
		if p := l.Practice(); p != nil {
			unit := "g_per_l" // where the practice named none
			if p.IggUnit == pb.IggUnit_IGG_UNIT_MG_PER_DL {
				unit = "mg_per_dl"
			}
			m.Practice = words.Say("settings.practice", p.Name, p.Zone, p.Currency, words.Choice("IggUnit", unit))
		}
		for _, s := range query.Settings() {
			row, err := rowOf(l, &s)
			if err != nil {
				return err
			}
			m.Rows = append(m.Rows, row)
		}
		return nil
	})
	if err != nil {
		return err
	}
	return req.Render("settings", words.Say("settings.title"), "clinic", m)
}

// rowOf is one setting with what is in force.
func rowOf(l *query.ReadView, s *query.Setting) (settingRow, error) {
	now, own, err := l.SettingInForce(s.Name)
	if err != nil {
		return settingRow{}, err
	}
	row := settingRow{Name: s.Name, Words: s.Words, Now: now, Usual: words.Say("settings.usual")}
	switch usual := s.Typed(s.Usual); {
	case now == "":
		row.Now, row.Usual = words.Say("settings.none"), ""
	case own && query.OwnEstimate(s.Name) && now != usual:
		row.Usual, err = waitsFor(l, s.Name, usual)
	case own && usual == "":
		row.Usual = ""
	case own:
		row.Usual = words.Say("settings.own", usual)
	}
	return row, err
}

// waitsFor tells whose word is still wanted before an estimate moves.
func waitsFor(l *query.ReadView, name, usual string) (string, error) {
	waits, err := l.OwnWaits(name)
	if err != nil || waits == pb.Role_ROLE_UNSPECIFIED {
		return words.Say("settings.own", usual), err
	}
	return words.Say("settings.waits", words.Enum(waits)), nil
}
