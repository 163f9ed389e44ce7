package review

import (
	"context"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"net/http"
	"net/http/cookiejar"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// certificate writes a certificate for 127.0.0.1 and its key, and returns who
// trusts it.
func certificate(t *testing.T) (cert, key string, trusting *x509.CertPool) {
	t.Helper()
	secret, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)},
		IsCA: true, BasicConstraintsValid: true, KeyUsage: x509.KeyUsageCertSign | x509.KeyUsageDigitalSignature}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &secret.PublicKey, secret)
	if err != nil {
		t.Fatal(err)
	}
	keyDER, err := x509.MarshalPKCS8PrivateKey(secret)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	cert, key = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for path, block := range map[string]*pem.Block{cert: {Type: "CERTIFICATE", Bytes: der}, key: {Type: "PRIVATE KEY", Bytes: keyDER}} {
		if err := os.WriteFile(path, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	trusting = x509.NewCertPool()
	parsed, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	trusting.AddCert(parsed)
	return cert, key, trusting
}

// Over TLS the page opens by its address, and plain requests get nothing.
func TestServeTLS(t *testing.T) {
	cert, key, trusting := certificate(t)
	l, g, err := Listen("127.0.0.1:0", true)
	if err != nil {
		t.Fatal(err)
	}
	ctx, end := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- Serve(ctx, l, g.Wrap(inside), cert, key) }()
	jar, err := cookiejar.New(nil)
	if err != nil {
		t.Fatal(err)
	}
	client := &http.Client{Jar: jar, Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: trusting}}}
	a, err := client.Get(g.Address())
	if err != nil {
		t.Fatal(err)
	}
	a.Body.Close()
	if a.StatusCode != 200 || a.TLS == nil || a.Request.URL.RawQuery != "" {
		t.Errorf("%d at %v", a.StatusCode, a.Request.URL)
	}
	plain, err := http.Get("http://" + l.Addr().String() + "/?token=" + g.token)
	if err == nil {
		plain.Body.Close()
		if plain.StatusCode != http.StatusBadRequest || len(plain.Cookies()) > 0 {
			t.Errorf("without TLS: %d", plain.StatusCode)
		}
	}
	client.CloseIdleConnections()
	end()
	if err := <-done; err != nil {
		t.Errorf("the server ended with %v", err)
	}
}

// A certificate that is not there ends the server with an error, not with plain
// HTTP.
func TestServeTLSWithoutCertificate(t *testing.T) {
	l, g, err := Listen("127.0.0.1:0", true)
	if err != nil {
		t.Fatal(err)
	}
	if err := Serve(t.Context(), l, g.Wrap(inside), filepath.Join(t.TempDir(), "none"), "none"); err == nil {
		t.Error("no error")
	}
}
