package web

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"encoding/hex"
	"fmt"
	"net/http"
	"strings"
)

// tokenLeast is how many characters a token must have. 24 of those NewToken
// uses are 144 bits.
const tokenLeast = 24

// tokenCharacters need no escaping in an address (RFC 3986, unreserved).
const tokenCharacters = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-._~"

// NewToken makes a token that nobody can guess.
func NewToken() string {
	var b [24]byte
	rand.Read(b[:]) // never fails: the documentation of crypto/rand.Read
	return base64.RawURLEncoding.EncodeToString(b[:])
}

func checkToken(t string) error {
	if t == "" {
		return nil
	}
	if len(t) < tokenLeast {
		return fmt.Errorf("the token has %d characters: it needs at least %d, so that nobody guesses it", len(t), tokenLeast)
	}
	if strings.Trim(t, tokenCharacters) != "" {
		return fmt.Errorf("the token may hold letters, digits and - . _ ~ only, since it is part of an address")
	}
	return nil
}

// sameSecret compares in a time that tells nothing of either.
func sameSecret(a, b string) bool {
	x, y := sha256.Sum256([]byte(a)), sha256.Sum256([]byte(b))
	return subtle.ConstantTimeCompare(x[:], y[:]) == 1
}

// cookieName differs from port to port: browsers send cookies to every port of
// a machine alike, and two collections may be served at once.
func (s *Server) cookieName() string { return "tawsight-" + s.port }

// cookieValue proves that its bearer had the token, without being it: servers on
// other ports of this machine get to see cookies.
func (s *Server) cookieValue() string {
	mac := hmac.New(sha256.New, []byte(s.token))
	mac.Write([]byte("tawsight cookie"))
	return hex.EncodeToString(mac.Sum(nil))
}

// requireToken lets through who has shown the token. It comes once with the
// address, becomes a cookie, and is taken out of the address at once, so that
// it stays out of bookmarks and screenshots.
func (s *Server) requireToken(next http.Handler) http.Handler {
	if s.token == "" {
		return next
	}
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if c, err := r.Cookie(s.cookieName()); err == nil && sameSecret(c.Value, s.cookieValue()) && !r.URL.Query().Has("token") {
			next.ServeHTTP(w, r)
			return
		}
		given := r.URL.Query()["token"]
		if len(given) != 1 || !sameSecret(given[0], s.token) || !isSafe(r.Method) {
			// RFC 9110, 11.6.1, asks for the header.
			w.Header().Set("WWW-Authenticate", `Token realm="tawsight"`)
			plainPage(w, http.StatusUnauthorized, "This page is private",
				"Open the address that tawsight serve printed when it started: all of it, with the token at its end. If you came by a bookmark, the token has changed since.")
			return
		}
		http.SetCookie(w, &http.Cookie{
			Name: s.cookieName(), Value: s.cookieValue(), Path: "/",
			HttpOnly: true, SameSite: http.SameSiteStrictMode, MaxAge: 30 * 24 * 3600,
		})
		to := *r.URL
		q := to.Query()
		q.Del("token")
		to.RawQuery = q.Encode()
		where := localPath(&to)
		w.Header().Set("Cache-Control", "no-store")
		if site := r.Header.Get("Sec-Fetch-Site"); site == "none" || site == "same-origin" {
			http.Redirect(w, r, where, http.StatusSeeOther)
			return
		}
		// Who followed a link from elsewhere, a message say, would go on as
		// cross-site, and a strict cookie would stay behind: this page itself
		// leads on.
		w.Header().Set("Refresh", "0; url="+where)
		plainPage(w, http.StatusOK, "Opening your collection", "If nothing happens, load this page again without the token at the end of its address.")
	})
}
