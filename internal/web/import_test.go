package web

import (
	"bytes"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"thawtrail/internal/sheet"
	pb "thawtrail/proto/thawtrail/v1"
)

// sendFile sends a form with a file, as browsers do.
func (d *laptop) sendFile(to string, fields url.Values, file string) (status int, at, body string) {
	d.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for name, values := range fields {
		for _, v := range values {
			require.NoError(d.t, w.WriteField(name, v))
		}
	}
	part, err := w.CreateFormFile("file", "list.csv")
	require.NoError(d.t, err)
	_, err = io.WriteString(part, file)
	require.NoError(d.t, err)
	require.NoError(d.t, w.Close())
	ask, err := http.NewRequestWithContext(d.t.Context(), http.MethodPost, d.server.URL+to, &b)
	require.NoError(d.t, err)
	ask.Header.Set("Content-Type", w.FormDataContentType())
	ask.Header.Set("Origin", d.server.URL)
	r, err := d.browser.Do(ask)
	require.NoError(d.t, err)
	defer r.Body.Close()
	raw, err := io.ReadAll(r.Body)
	require.NoError(d.t, err)
	return r.StatusCode, r.Header.Get("Location"), string(raw)
}

// takes sends the import's form as it stands, with a file and what was chosen.
func (d *laptop) takes(page, form, file string, pairs ...string) (status int, at, body string) {
	d.t.Helper()
	v := d.fields(page, pairs...)
	for _, tag := range fieldOf.FindAllString(page[strings.Index(page, `id="`+form+`"`):], -1) {
		at := map[string]string{}
		for _, m := range attrOf.FindAllStringSubmatch(tag, -1) {
			at[m[1]] = html.UnescapeString(m[2])
		}
		if at["type"] == "hidden" && !v.Has(at["name"]) {
			v.Set(at["name"], at["value"])
		}
	}
	return d.sendFile("/clinic/import", v, file)
}

const opening = "Product,Lot,Use by,Volume (mL),Bags,Freezer,IgG mg/dL,Price\nFoal plasma,H2301,2028-03,950,3,north car,2450,310.50\nFoal plasma,H2302,2028-04-30,950,2,north car,,\n"

// TestAListComesInByAPage shows each row's fate first, saves nothing by that, and then takes
// in all rows, once.
func TestAListComesInByAPage(t *testing.T) {
	d := newLaptop(t)
	require.Contains(t, d.get("/clinic/begin"), `href="/clinic/import?kind=stock"`)
	d.begin()
	before, records := d.bagCount(), d.replica.Store.Records()
	require.Contains(t, d.get("/clinic/delivery"), `href="/clinic/import"`)
	page := d.get("/clinic/import?kind=stock")
	status, _, body := d.takes(page, "form-import", opening, "kind", "stock", "do", "show")
	require.Equal(t, http.StatusOK, status, plainText(body))
	require.Contains(t, plainText(body), "2 rows would be saved, 0 already there")
	require.Contains(t, plainText(body), "Row 3")
	require.Equal(t, records, d.replica.Store.Records(), "the look saves nothing")

	// The page carries its file: whoever presses sends what was looked at.
	status, at, text := d.takes(body, "form-take", "", "do", "save")
	require.Equal(t, http.StatusSeeOther, status, plainText(text))
	require.Equal(t, "/clinic/stock", at)
	require.Contains(t, plainText(d.get(at)), "2 rows taken in, 0 already there")
	require.Equal(t, before+5, d.bagCount())
	require.Equal(t, 3, strings.Count(strings.Join(d.batches(), " "), "H2301"))

	_, at, _ = d.takes(body, "form-take", "", "do", "save") // pressed twice
	require.Contains(t, plainText(d.get(at)), "0 rows taken in, 2 already there")
	_, _, body = d.takes(page, "form-import", opening, "kind", "stock", "do", "show")
	require.Contains(t, plainText(body), "Nothing to save: 2 rows are there already")
	require.NotContains(t, body, "form-take")
	require.Equal(t, before+5, d.bagCount())

	clients := "Name,Telephone\nP. Hollis,0491 570 156\n"
	page = d.get("/clinic/import?kind=clients")
	for _, says := range []string{"1 row would be saved", "1 row is there already"} {
		_, _, body = d.takes(page, "form-import", clients, "kind", "clients", "do", "show")
		require.Contains(t, plainText(body), says)
		if strings.Contains(body, "form-take") {
			_, at, _ = d.takes(body, "form-take", "", "do", "save")
			require.Equal(t, "/clinic/clients", at)
			require.Contains(t, d.get(at), "P. Hollis")
		}
		clients = "Name,Telephone\nP. Hollis,0491 570 157\n" // an edited list makes no second one
	}

	logger := "time,temperature\n2026-11-22 08:00,-19.5\n2026-11-22 20:00,-18.2\n"
	page = d.get("/clinic/import?kind=temperatures")
	status, _, body = d.takes(page, "form-import", logger, "kind", "temperatures", "do", "show")
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Contains(t, plainText(body), "where the logger lay")
	_, _, body = d.takes(page, "form-import", logger, "kind", "temperatures", "place", d.place, "do", "show")
	_, at, _ = d.takes(body, "form-take", "", "do", "save")
	require.Equal(t, "/clinic/freezer?place="+d.place, at)
	require.Contains(t, d.get(at), "-18.2")
}

// batches are those of all bags in stock.
func (d *laptop) batches() (out []string) {
	list, err := d.site.Stock.ListStock(d.t.Context(), &pb.ListStockRequest{})
	require.NoError(d.t, err)
	for _, b := range list.Bags {
		out = append(out, b.Batch)
	}
	return out
}

// TestOneRowKeepsAllOut names every row that cannot be taken in, and saves none of the others.
func TestOneRowKeepsAllOut(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	records := d.replica.Store.Records()
	bad := opening + "Foal plasma,H2303,2028-13,950,2,north car,,\nNo such plasma,H2304,2028-04,950,2,north car,,\n"
	page := d.get("/clinic/import?kind=stock")
	status, _, body := d.takes(page, "form-import", bad, "kind", "stock", "do", "show")
	require.Equal(t, http.StatusUnprocessableEntity, status)
	for _, says := range []string{"2 of 4 rows cannot be taken in", `2028-13`, "No such plasma"} {
		require.Contains(t, plainText(body), says)
	}
	require.Contains(t, body, `href="#row-4"`)
	require.Contains(t, body, `href="#row-5"`)
	require.NotContains(t, body, "form-take", "there is nothing to press")
	v := d.fields(page, "kind", "stock", "do", "save")
	status, _, _ = d.sendFile("/clinic/import", v, bad)
	require.Equal(t, http.StatusUnprocessableEntity, status)
	require.Equal(t, records, d.replica.Store.Records())
	for text, says := range map[string]string{
		"":                        "choose a file first",
		"product,colour\na,b\n":   "colour",
		"\x00\x01":                "UTF-8",
		"\xd0\xcf\x11\xe0 a book": "old workbook",
	} {
		status, _, body := d.takes(page, "form-import", text, "kind", "stock", "do", "show")
		require.Equal(t, http.StatusUnprocessableEntity, status, says)
		require.Contains(t, plainText(body), says)
	}
	for _, packed := range []string{"%", "aGVsbG8="} {
		_, _, body := d.sendFile("/clinic/import", d.fields(page, "kind", "stock", "do", "save", "packed", packed), "")
		require.Contains(t, plainText(body), "choose the file again")
	}
	v.Del("token")
	status, _, _ = d.sendFile("/clinic/import", v, opening)
	require.Equal(t, http.StatusForbidden, status)
	status, _, _ = d.sendFile("/clinic/import", d.fields(page, "kind", "stock", "do", "show"), strings.Repeat("x", 3*sheet.MaxBytes))
	require.Equal(t, http.StatusRequestEntityTooLarge, status)
	require.Equal(t, records, d.replica.Store.Records())
}

// TestALockedBrowserKeepsAListToTakeIn presses at a browser that was locked meanwhile: the
// page that opens it sends the list on.
func TestALockedBrowserKeepsAListToTakeIn(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	d.share()
	before := d.bagCount()
	_, _, body := d.takes(d.get("/clinic/import?kind=stock"), "form-import", opening, "kind", "stock", "do", "show")
	require.Contains(t, body, "form-take", plainText(body))
	d.post("/lock")
	status, _, locked := d.takes(body, "form-take", "", "do", "save")
	require.Equal(t, http.StatusLocked, status)
	v := url.Values{}
	for _, tag := range fieldOf.FindAllString(locked, -1) {
		at := map[string]string{}
		for _, m := range attrOf.FindAllStringSubmatch(tag, -1) {
			at[m[1]] = html.UnescapeString(m[2])
		}
		if at["type"] == "hidden" {
			v.Set(at["name"], at["value"])
		}
	}
	person := regexp.MustCompile(`<option value="([^"]+)"[^>]*>[^<]*Reed`).FindStringSubmatch(locked)
	require.NotNil(t, person, plainText(locked))
	v.Set("unlock.person", person[1])
	v.Set("unlock.do", "without")
	_, at, text := d.send("/clinic/import", v)
	require.Equal(t, "/clinic/stock", at, plainText(text))
	require.Equal(t, before+5, d.bagCount())
}

// TestAFileFillsADelivery puts a delivery note into the rows of the page, beside those that
// were scanned; each can still be changed, and what is wrong in it stands in its field.
func TestAFileFillsADelivery(t *testing.T) {
	d := newLaptop(t)
	d.begin()
	before := d.bagCount()
	product := regexp.MustCompile(`<option value="([^"]+)">Foal plasma`).FindStringSubmatch(d.get("/clinic/receive"))[1]
	p := d.delivery()
	p.press("scan", "scan", gtin+"1728033110K77\x1d")
	note := "plasma;lot;expires;mL;bags;freezer;IgG mg/dL;price;supplier;invoice\nFoal plasma;H2301;2028-03;950;3;north car;2450;310.50;Wattle & Sons;DN-4711\nSome plasma;H2302;2028-13;;2;north car;;;;DN-4711\n"
	status, at, body := d.sendFile("/clinic/delivery/file", p.fields(), note)
	require.Equal(t, http.StatusSeeOther, status, plainText(body))
	require.Equal(t, before, d.bagCount(), "nothing is saved by it")
	p.at, p.body = at, d.get(at)
	require.Contains(t, plainText(p.body), "2 batches filled in from the file")
	require.Contains(t, plainText(p.body), "Row 3: Some plasma is not known here by that name")
	v := p.fields()
	for name, want := range map[string]string{
		"batch_1": "H2301", "expiry_1": "2028-03", "count_1": "3", "cost_minor_1": "310.50", "igg_cg_per_l_1": "2450 mg/dL", "product_1": product,
		"batch_2": "H2302", "expiry_2": "2028-13", "count_2": "2", "product_2": "", "supplier": "Wattle & Sons", "delivery": "DN-4711", "place": d.place, "batch_0": "K77",
	} {
		require.Equal(t, want, v.Get(name), name)
	}
	p.press("save")
	require.Contains(t, plainText(p.body), "2028-13")
	require.Equal(t, before, d.bagCount())
	p.press("save", "expiry_2", "2028-04", "product_2", product, "count_1", "4", "volume_ml_2", "500", "product_0", product, "volume_ml_0", "950")
	if !strings.Contains(p.at, "/clinic/labels") { // an IgG in the other unit is seen in both first
		require.Contains(t, plainText(p.body), "24.5 g/L")
		p.press("save")
	}
	require.Contains(t, p.at, "/clinic/labels", plainText(p.body))
	require.Equal(t, before+7, d.bagCount())

	p = d.delivery()
	for text, says := range map[string]string{
		"":                                    "Choose the file of the delivery note first",
		"batch\nA\n":                          `a column "bags"`,
		"batch,bags,serial\nA,1,S1\n":         "serial",
		"batch,bags,supplier\nA,1,x\nB,1,y\n": "row 3: the file names another supplier",
		"batch,bags\n" + strings.Repeat("A,1\n", 41): "41 batches in the file",
	} {
		status, _, body := d.sendFile("/clinic/delivery/file", p.fields(), text)
		require.Equal(t, http.StatusUnprocessableEntity, status, says)
		require.Contains(t, plainText(body), says)
		require.Contains(t, body, `id="form-delivery"`)
	}

	book := excelize.NewFile()
	require.NoError(t, book.SetSheetRow("Sheet1", "A1", &[]any{"Product", "Batch", "Expiry", "Bags"}))
	require.NoError(t, book.SetSheetRow("Sheet1", "A2", &[]any{"Foal plasma", "H2303", 46843, 2})) // 2028-03-31 as workbooks keep a day
	var raw bytes.Buffer
	require.NoError(t, book.Write(&raw))
	_, at, _ = d.sendFile("/clinic/delivery/file", p.fields(), raw.String())
	p.body = d.get(at)
	require.Equal(t, []string{"H2303", "2028-03-31", "2"}, []string{p.fields().Get("batch_0"), p.fields().Get("expiry_0"), p.fields().Get("count_0")})
}
