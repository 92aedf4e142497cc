"""Files and cameras to frames with exact time; sound; writing. The only room with PyAV."""
