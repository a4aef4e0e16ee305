package label

import (
	"net/url"
	"slices"
	"strings"
)

// linkQualifiers are the identifiers that may follow the product in the path of
// a digital link, in their fixed order. Source: GS1 Syntax Dictionary.
var linkQualifiers = []string{"22", "10", "21"}

// isLink says whether text is a web address.
func isLink(text string) bool {
	scheme, _, ok := strings.Cut(text, "://")
	return ok && (strings.EqualFold(scheme, "https") || strings.EqualFold(scheme, "http"))
}

// segment is a part of an address and where it begins, from 0.
type segment struct {
	text string
	at   int
}

// segments splits text at each of cuts.
func segments(text string, at int, cuts string) []segment {
	var out []segment
	for {
		cut := strings.IndexAny(text, cuts)
		if cut < 0 {
			return append(out, segment{text, at})
		}
		out = append(out, segment{text[:cut], at})
		text, at = text[cut+1:], at+cut+1
	}
}

// link reads a digital link: https://any.host/any/path/01/…/10/…?17=…
func (r *gs1Reader) link(text string) {
	text, _, _ = strings.Cut(text, "#")
	path, query, _ := strings.Cut(text, "?")
	parts := segments(path, 0, "/")
	// http:, nothing, the host: the path begins with the fourth part.
	product := 3
	for ; product+1 < len(parts); product++ {
		if key, value := parts[product].text, parts[product+1].text; key == "01" && allDigits(value) && len(value) >= 8 {
			break
		}
	}
	if product+1 >= len(parts) || parts[2].text == "" {
		r.fault(1, "no product (01) in this address")
		return
	}
	r.linkProduct(parts[product], parts[product+1].text)
	r.linkPath(parts[product+2:])
	if query != "" {
		r.linkQuery(segments(query, len(path)+1, "&;"))
	}
}

// linkProduct adds the product; the short forms of its number are filled up.
func (r *gs1Reader) linkProduct(key segment, gtin string) {
	spec, code, _ := identifierAt(key.text)
	r.add(spec, Element{code, padGTIN(gtin), key.at + 1})
}

// padGTIN brings numbers of 8, 12 and 13 digits to the 14 of the data field.
func padGTIN(gtin string) string {
	switch len(gtin) {
	case 8, 12, 13:
		return strings.Repeat("0", 14-len(gtin)) + gtin
	}
	return gtin
}

// linkPath reads the keys and values behind the product.
func (r *gs1Reader) linkPath(parts []segment) {
	if n := len(parts); n > 0 && parts[n-1].text == "" {
		parts = parts[:n-1] // a slash at the end
	}
	rank := -1
	for i := 0; i < len(parts); i += 2 {
		key := parts[i]
		if i+1 == len(parts) {
			r.fault(key.at+1, "%q has no value behind it", key.text)
			return
		}
		at := slices.Index(linkQualifiers, key.text)
		if at < 0 {
			r.unread = append(r.unread, key.text)
			continue
		}
		if at <= rank {
			r.fault(key.at+1, "%s stands behind %s: the order is 22, 10, 21", key.text, linkQualifiers[rank])
		}
		rank = max(rank, at)
		r.linkValue(key, parts[i+1].text)
	}
}

// linkQuery reads the identifiers behind the question mark and passes over all
// that is not one.
func (r *gs1Reader) linkQuery(parts []segment) {
	for _, part := range parts {
		key, value, _ := strings.Cut(part.text, "=")
		if len(key) < 2 || len(key) > 4 || !allDigits(key) {
			continue
		}
		r.linkValue(segment{key, part.at}, value)
	}
}

// linkValue adds one identifier with its value, unescaped.
func (r *gs1Reader) linkValue(key segment, escaped string) {
	spec, code, ok := identifierAt(key.text)
	if !ok || code != key.text {
		r.unread = append(r.unread, key.text)
		return
	}
	value, err := url.PathUnescape(escaped)
	if err != nil {
		r.fault(key.at+1, "%s (%s) has a broken %% escape", spec.name, code)
		value = escaped
	}
	r.add(spec, Element{code, value, key.at + 1})
}
