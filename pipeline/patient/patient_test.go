package patient_test

import (
	"testing"

	"shaftgauge/pipeline/patient"
)

func TestKey(t *testing.T) {
	// printf 'HARROWVALE\0HV-0042' | openssl dgst -sha256 -hmac 'a key of the site'
	const want = "dc6a85d1d7cfcaeeca5a6dc93bf20c5b9052290f2d56d8d9bdcf38233946e597"
	if got := patient.Key([]byte("a key of the site"), "HARROWVALE", "HV-0042"); got != want {
		t.Errorf("%s, want %s", got, want)
	}
	for name, got := range map[string]string{
		"no key": patient.Key(nil, "HARROWVALE", "HV-0042"),
		"no ID":  patient.Key([]byte("k"), "HARROWVALE", ""),
	} {
		if got != "" {
			t.Errorf("%s: %q", name, got)
		}
	}
	if patient.Key([]byte("k"), "AB", "C") == patient.Key([]byte("k"), "A", "BC") {
		t.Error("issuer and ID run together")
	}
}
