#include "shim.h"

#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <exception>
#include <vector>

#include <opencv2/core.hpp>
#include <opencv2/core/utils/logger.hpp>
#include <opencv2/imgcodecs.hpp>

void penarm_setup(void) {
	cv::setNumThreads(1);
	cv::utils::logging::setLogLevel(cv::utils::logging::LOG_LEVEL_SILENT);
}

int penarm_decode(const void *data, int size, void *pix, int width, int height, int channels,
                  void *mat, char *message, size_t n) {
	message[0] = 0;
	try {
		const cv::Mat in(1, size, CV_8UC1, const_cast<void *>(data));
		cv::Mat out(height, width, CV_8UC(channels), pix);
		if (cv::imdecode(in, cv::IMREAD_UNCHANGED, &out).empty())
			return -1;
		if (out.data == pix)
			return 0;
		*static_cast<cv::Mat *>(mat) = out;
		return 1;
	} catch (const std::exception &e) {
		std::snprintf(message, n, "%s", e.what());
	} catch (...) {
		std::snprintf(message, n, "unknown exception");
	}
	return -1;
}

int penarm_encode(const void *pix, int width, int height, int quality, void **out, size_t *size,
                  char *message, size_t n) {
	message[0] = 0;
	try {
		const cv::Mat in(height, width, CV_8UC3, const_cast<void *>(pix));
		std::vector<uchar> data;
		if (!cv::imencode(".jpg", in, data, {cv::IMWRITE_JPEG_QUALITY, quality}) || data.empty())
			return -1;
		*out = std::malloc(data.size());
		if (*out == nullptr)
			return -1;
		std::memcpy(*out, data.data(), data.size());
		*size = data.size();
		return 0;
	} catch (const std::exception &e) {
		std::snprintf(message, n, "%s", e.what());
	} catch (...) {
		std::snprintf(message, n, "unknown exception");
	}
	return -1;
}
