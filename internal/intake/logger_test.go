package intake_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"thawtrail/internal/input"
	"thawtrail/internal/intake"
	"thawtrail/internal/sheet"
)

// logged reads a logger's file for the clinic's freezer, in a zone eleven hours ahead.
func logged(t testing.TB, text string) ([]intake.Line, error) {
	table, err := sheet.ReadUpTo([]byte(text), intake.MaxLogged)
	require.NoError(t, err)
	zone := time.FixedZone("", 11*60*60)
	return intake.Readings(table, "clinic freezer", input.Clock{Now: time.Now, Zone: zone, ZoneName: "Australia/Sydney"})
}

// told is a line as the reading that it becomes.
func told(l intake.Line) string {
	r := l.Entry.GetTemperatureRead()
	return fmt.Sprintf("%s %s %d %d..%d", r.Place, time.UnixMilli(l.At.UnixMs).UTC().Format("2006-01-02 15:04"), r.NowDc, r.GetLeastDc(), r.GetMostDc())
}

// A day becomes one reading, in the practice's zone: the last of it, with the least and the
// most. Other columns, rows without a temperature, and the order of the rows do not matter.
func TestALoggersDaysBecomeReadings(t *testing.T) {
	for name, text := range map[string]string{
		"as many are":    "#,Time,Celsius(°C),Humidity\n1,2026-11-24 10:00:00,-18.43,40\n2,2026-11-24 23:55:00,-21.06,40\n3,2026-11-25 00:05:00,-15.0,41\n4,2026-11-25 08:00:00,-18.0,41\n5,2026-11-25 09:00:00,,\n",
		"date and time":  "date;time;temp\n2026-11-25;08:00;-18,0\n2026-11-25;00:05;-15,0\n2026-11-24;23:55;-21,06 °C\n2026-11-24;10:00;-18,43\n",
		"with a zone":    "timestamp\ttemperature C\n2026-11-23T23:00:00Z\t-18.43\n2026-11-24T12:55:00Z\t-21.06\n2026-11-24T13:05:00Z\t-15\n2026-11-24T21:00:00Z\t-18\n",
		"in Fahrenheit":  "Date/Time,Temperature (°F)\n2026/11/24 10:00,-1.17\n2026/11/24 23:55,-5.91\n2026/11/25 00:05,5\n2026/11/25 08:00,-0.4\n",
		"with quotation": "\"Time\",\"Temp\"\n\"2026-11-24T10:00\",\"-18.43\"\n\"2026-11-24T23:55\",\"-21.06\"\n\"2026-11-25T00:05\",\"-15\"\n\"2026-11-25T08:00\",\"-18\"\n",
	} {
		lines, err := logged(t, text)
		require.NoError(t, err, name)
		require.Len(t, lines, 2, name)
		require.Equal(t, "clinic freezer 2026-11-24 12:55 -211 -211..-184", told(lines[0]), name)
		require.Equal(t, "clinic freezer 2026-11-24 21:00 -180 -180..-150", told(lines[1]), name)
		require.NotEqual(t, lines[0].ID, lines[1].ID)
		again, err := logged(t, text)
		require.NoError(t, err)
		require.Equal(t, lines[0].ID, again[0].ID, "%s: read again it is the same", name)
	}
}

// A time that can be read in two ways, and what is no temperature, are refused with their
// row; a file that is none is refused as a whole.
func TestWhatALoggerDoesNotSay(t *testing.T) {
	lines, err := logged(t, "time,temp\n2026-11-24 10:00,-18\n04/05/2026 10:00,-18\n02:10,-18\n2026-11-24 11:00,ERR\n2026-11-24 11:05,-999\n2026-11-24 11:10,NaN\n")
	require.NoError(t, err)
	var refused []string
	for _, l := range lines {
		if l.Refused != nil {
			refused = append(refused, fmt.Sprintf("%d %v", l.Row, l.Refused))
		}
	}
	require.Len(t, refused, 5)
	for i, says := range []string{"3 time", "4 time", `5 temperature: "ERR"`, `6 temperature: "-999"`, `7 temperature: "NaN"`} {
		require.Contains(t, refused[i], says)
	}
	many, err := logged(t, "time,temp\n"+strings.Repeat("24.11.2026,-18\n", 5000))
	require.NoError(t, err)
	require.Less(t, len(many), 50)
	for _, text := range []string{"time,humidity\na,b\n", "date,temp\na,b\n", "time,temp,celsius\na,b,c\n"} {
		_, err := logged(t, text)
		require.ErrorContains(t, err, "column")
	}
}

// Half a year of a row every five minutes is read; more is refused with what to do.
func TestALongFile(t *testing.T) {
	var text strings.Builder
	text.WriteString("time,temp\n")
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for i := range intake.MaxLogged {
		fmt.Fprintf(&text, "%s,-%d\n", at.Add(time.Duration(i)*5*time.Minute).Format("2006-01-02 15:04"), 15+i%7)
	}
	lines, err := logged(t, text.String())
	require.NoError(t, err)
	require.Len(t, lines, (intake.MaxLogged+287)/288)
	_, err = sheet.ReadUpTo([]byte(text.String()+"2026-12-31 00:00,-18\n"), intake.MaxLogged)
	require.ErrorContains(t, err, "split")
}

// FuzzReadings reads what loggers, their programs and people make of such a file: a reading
// lies between its least and its most.
func FuzzReadings(f *testing.F) {
	f.Add("time,temp\n2026-11-24 10:00,-18.4\n2026-11-24 11:00,\n")
	f.Add("date;time;temp F\n2026-11-24;10:00;-1,1\n")
	f.Add("Date/Time\tCelsius(°C)\n2026-11-24T10:00:00+11:00\t-1e1\n")
	f.Fuzz(func(t *testing.T, text string) {
		table, err := sheet.ReadUpTo([]byte(text), 500)
		if err != nil {
			return
		}
		lines, err := intake.Readings(table, "freezer", input.Clock{Now: time.Now, Zone: time.UTC})
		if err != nil {
			return
		}
		for _, l := range lines {
			if l.Refused == nil {
				r := l.Entry.GetTemperatureRead()
				require.LessOrEqual(t, r.GetLeastDc(), r.NowDc)
				require.LessOrEqual(t, r.NowDc, r.GetMostDc())
			}
		}
	})
}
