#include "shim.h"

#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <new>
#include <stdexcept>

#include <opencv2/core.hpp>
#include <opencv2/core/utils/logger.hpp>
#include <opencv2/imgcodecs.hpp>

void penarm_setup(void) {
	cv::setNumThreads(1);
	cv::utils::logging::setLogLevel(cv::utils::logging::LOG_LEVEL_SILENT);
}

int penarm_decode(const void *data, int size, void *pix, int width, int height,
                  int *channels, void **other, char *message, size_t n) {
	message[0] = 0;
	try {
		const cv::Mat in(1, size, CV_8UC1, const_cast<void *>(data));
		cv::Mat out(height, width, CV_8UC(*channels), pix);
		if (cv::imdecode(in, cv::IMREAD_UNCHANGED, &out).empty())
			return -1;
		if (out.data == pix)
			return 0;
		if (out.cols != width || out.rows != height)
			throw std::runtime_error("the header gives another size than the pixels");
		if (out.depth() != CV_8U && out.depth() != CV_16U)
			throw std::runtime_error("the samples have neither 8 nor 16 bits");
		*channels = out.channels();
		const size_t row = static_cast<size_t>(width) * out.channels();
		unsigned char *to = static_cast<unsigned char *>(std::malloc(row * height));
		if (!to)
			throw std::bad_alloc();
		*other = to;
		for (int y = 0; y < height; y++, to += row) {
			if (out.depth() == CV_8U) {
				std::memcpy(to, out.ptr(y), row);
				continue;
			}
			const uint16_t *from = out.ptr<uint16_t>(y);
			for (size_t i = 0; i < row; i++) // 65535 to 255, rounded
				to[i] = static_cast<unsigned char>((from[i] + 128u) / 257u);
		}
		return 1;
	} catch (const std::exception &e) {
		std::snprintf(message, n, "%s", e.what());
	} catch (...) {
		std::snprintf(message, n, "unknown exception");
	}
	return -1;
}
