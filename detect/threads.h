#ifdef __cplusplus
extern "C" {
#endif

// shaftgauge_set_threads makes OpenCV use n threads; 1: the caller's alone. It
// returns 0 where OpenCV throws, else 1.
int shaftgauge_set_threads(int n);

#ifdef __cplusplus
}
#endif
