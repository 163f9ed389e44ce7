package review

import (
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// policy lets a page load what this server serves and nothing else; blob: is for
// a picture that its script has decoded.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; connect-src 'self'; " +
	"base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// Limits on what a browser may send.
const (
	maxHeaderBytes = 16 << 10
	maxBodyBytes   = 256 << 10

	readLimit  = 30 * time.Second
	writeLimit = 5 * time.Minute // a film of a hundred megabytes, or a wait in line for the worker
	idleLimit  = 5 * time.Minute
)

// headerName comes with every change: a page of another site cannot send it.
const (
	headerName  = "X-Shaftgauge"
	headerValue = "1"
)

// secret returns 256 random bits as text.
func secret() string {
	b := make([]byte, 32)
	rand.Read(b) // never fails
	return base64.RawURLEncoding.EncodeToString(b)
}

func same(a, b string) bool { return subtle.ConstantTimeCompare([]byte(a), []byte(b)) == 1 }

// Guard lets through only the requests of the page that its token opened, at
// the one address that it is served at.
type Guard struct {
	scheme, host   string // host with its port, as browsers send it
	token, session string
	cookie         string // name of the session's; browsers do not keep ports apart
}

// NewGuard returns the guard of the server at addr, a host with a port. tls says
// whether it is served by TLS.
//
// Errors: an address beyond this machine without tls, or one that stands for
// all addresses: there is no one host to check then.
func NewGuard(addr string, tls bool) (*Guard, error) {
	host, port, err := net.SplitHostPort(addr)
	if err != nil {
		return nil, fmt.Errorf("review: address %q: %w", addr, err)
	}
	ip := net.ParseIP(host)
	switch {
	case host == "" || ip != nil && ip.IsUnspecified():
		return nil, fmt.Errorf("review: address %q stands for every address of this machine: name the one that the page is opened at", addr)
	case !tls && !loopback(host):
		return nil, fmt.Errorf("review: address %q can be reached from other machines: that needs a TLS certificate and its key", addr)
	}
	g := &Guard{scheme: "http", token: secret(), session: secret(), cookie: "shaftgauge_" + port}
	if tls {
		g.scheme = "https"
	}
	g.host = strings.ToLower(net.JoinHostPort(host, port))
	if tls && port == "443" || !tls && port == "80" {
		g.host = strings.TrimSuffix(g.host, ":"+port) // browsers leave it out
	}
	return g, nil
}

// Listen opens addr, where port 0 is any free one, and returns its guard.
// Errors are those of [NewGuard], before anything is open, and of the network.
func Listen(addr string, tls bool) (net.Listener, *Guard, error) {
	if _, err := NewGuard(addr, tls); err != nil {
		return nil, nil, err
	}
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, nil, fmt.Errorf("review: %w", err)
	}
	at, ok := l.Addr().(*net.TCPAddr)
	if !tls && !(ok && at.IP.IsLoopback()) { // localhost, by a hosts file that says otherwise
		l.Close()
		return nil, nil, fmt.Errorf("review: address %q can be reached from other machines: that needs a TLS certificate and its key", addr)
	}
	host, _, _ := net.SplitHostPort(addr) // NewGuard has split it
	g, err := NewGuard(net.JoinHostPort(host, fmt.Sprint(at.Port)), tls)
	if err != nil {
		l.Close()
		return nil, nil, err
	}
	return l, g, nil
}

// loopback tells whether host is this machine and nothing else can reach it.
func loopback(host string) bool {
	ip := net.ParseIP(host)
	return host == "localhost" || ip != nil && ip.IsLoopback()
}

// Address is where the page opens, with its token.
func (g *Guard) Address() string {
	u := url.URL{Scheme: g.scheme, Host: g.host, Path: "/", RawQuery: url.Values{"token": {g.token}}.Encode()}
	return u.String()
}

func (g *Guard) origin() string { return g.scheme + "://" + g.host }

// Wrap puts the guard in front of h.
func (g *Guard) Wrap(h http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		head := w.Header()
		head.Set("Content-Security-Policy", policy)
		head.Set("X-Content-Type-Options", "nosniff")
		head.Set("Referrer-Policy", "no-referrer")
		head.Set("Cross-Origin-Resource-Policy", "same-origin")
		head.Set("Cross-Origin-Opener-Policy", "same-origin")
		head.Set("Cache-Control", "no-store")
		if g.scheme == "https" {
			head.Set("Strict-Transport-Security", "max-age=31536000")
		}
		if why := g.foreign(r); why != "" {
			fail(w, http.StatusForbidden, why)
			return
		}
		if r.URL.Path == "/" && r.URL.Query().Has("token") {
			g.enter(w, r)
			return
		}
		c, err := r.Cookie(g.cookie)
		if err != nil || !same(c.Value, g.session) {
			fail(w, http.StatusUnauthorized, "open the address that shaftgauge review printed")
			return
		}
		r.Body = http.MaxBytesReader(w, r.Body, maxBodyBytes)
		h.ServeHTTP(w, r)
	})
}

// foreign says why a request is not from the page; empty where it may be.
//
// A name of another site that resolves to this machine (DNS rebinding) comes
// with that name as its host. A page of another site comes with its own origin,
// or, by Fetch Metadata, as cross-site; opening the printed address is neither.
func (g *Guard) foreign(r *http.Request) string {
	if !strings.EqualFold(r.Host, g.host) {
		return "this host is not served here"
	}
	if origin := r.Header.Get("Origin"); origin != "" && !strings.EqualFold(origin, g.origin()) {
		return "requests of other sites are not answered"
	}
	switch site := r.Header.Get("Sec-Fetch-Site"); {
	case site == "" || site == "same-origin" || site == "none":
	case r.URL.Path == "/" && r.Method == http.MethodGet && r.Header.Get("Sec-Fetch-Mode") == "navigate":
		// A link from a mail to the printed address.
	default:
		return "requests of other sites are not answered"
	}
	switch r.Method {
	case http.MethodGet, http.MethodHead:
	case http.MethodPost:
		if r.Header.Get("Origin") == "" || r.Header.Get(headerName) != headerValue {
			return "changes are taken from the page only"
		}
	default:
		return "no such method"
	}
	return ""
}

// enter exchanges the token for the session's cookie.
func (g *Guard) enter(w http.ResponseWriter, r *http.Request) {
	if !same(r.URL.Query().Get("token"), g.token) {
		fail(w, http.StatusUnauthorized, "open the address that shaftgauge review printed")
		return
	}
	http.SetCookie(w, &http.Cookie{Name: g.cookie, Value: g.session, Path: "/",
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: g.scheme == "https"})
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
