"""From a client's picture and its marks to measured signs with error bars."""
