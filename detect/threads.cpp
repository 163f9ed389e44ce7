#include "threads.h"

#include <opencv2/core/utility.hpp>

int shaftgauge_set_threads(int n) {
	try {
		cv::setNumThreads(n);
		return 1;
	} catch (...) { // nothing may cross into Go
		return 0;
	}
}
