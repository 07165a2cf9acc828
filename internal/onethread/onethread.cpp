// OpenCV's own declaration, in opencv2/core/utility.hpp.
namespace cv { void setNumThreads(int nthreads); }

extern "C" void tw_one_thread(void) { cv::setNumThreads(1); }
