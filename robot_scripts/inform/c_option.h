/* One line of yours: #include the header that comes with the C option of the controller. */
#error "include the header of the C option here"
